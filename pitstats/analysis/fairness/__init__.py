"""Was the test fair? What else could have made the difference."""

from pitstats.analysis.fairness.audit import audit_fairness as audit_fairness
from pitstats.analysis.fairness.audit import settings_differ as settings_differ
from pitstats.analysis.fairness.finding import Finding as Finding
from pitstats.analysis.fairness.finding import Severity as Severity
from pitstats.analysis.fairness.finding import Topic as Topic
from pitstats.analysis.fairness.mistakes import MISTAKES as MISTAKES
from pitstats.analysis.fairness.mistakes import Mistake as Mistake
