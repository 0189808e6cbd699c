from .clustered import fit_cluster_robust as fit_cluster_robust
from .clustered import fit_gee as fit_gee
from .logistic import fit_firth_logistic as fit_firth_logistic
from .logistic import fit_logistic as fit_logistic
from .logistic import standardize_probabilities as standardize_probabilities
from .mixed_logistic import fit_mixed_logistic as fit_mixed_logistic
