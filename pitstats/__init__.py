"""Fair comparisons of wood-fired cooking pits from test bakes.

Import it as ``ps``; every public name loads the part it needs when first used::

    import pitstats as ps
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
__version__ = "0.1.0"
