"""Bench trials: the log, what a trial teaches about an oil, and which trial to run next."""

from hspkit.trials.log import TrialLog
from hspkit.trials.trial import Trial

__all__ = ["Trial", "TrialLog"]
