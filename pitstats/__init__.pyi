from . import stats as stats
from .errors import DesignError as DesignError
from .errors import ExistsError as ExistsError
from .errors import InvalidStudyError as InvalidStudyError
from .errors import PitstatsError as PitstatsError
from .errors import PitstatsWarning as PitstatsWarning
from .errors import Problem as Problem
from .errors import RenderError as RenderError

__version__: str
