"""Bench trials: the log, what a trial teaches about an oil, and which trial to run next."""

from hspkit.trials.learning import LearntOil, Lesson, learn
from hspkit.trials.log import TrialLog
from hspkit.trials.planning import NextTrial, next_trial
from hspkit.trials.trial import Trial

__all__ = ["LearntOil", "Lesson", "NextTrial", "Trial", "TrialLog", "learn", "next_trial"]
