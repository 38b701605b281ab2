"""Bench trials: the log, the posterior of an oil after them, and which trial to run next."""

from hspkit.trials.learning import LearntOil, TrialPosterior, learn
from hspkit.trials.log import TrialLog
from hspkit.trials.planning import NextTrial, next_trial
from hspkit.trials.trial import Trial

__all__ = ["LearntOil", "NextTrial", "Trial", "TrialLog", "TrialPosterior", "learn", "next_trial"]
