from .outcomes import bake_totals as bake_totals
from .outcomes import burned_under_cuts as burned_under_cuts
from .outcomes import item_outcomes as item_outcomes
from .settings import Settings as Settings
from .study import Study as Study
