"""From results to sections, and from sections to one self-contained page."""

import lazy_loader

# They need everything else: loaded when first used.
__getattr__, __dir__, _ = lazy_loader.attach(__name__, {"ask", "pages"})
