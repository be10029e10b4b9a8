"""A value, its uncertainty and the limit in force become a verdict, by a stated decision rule (JCGM 106:2012)."""

from service.judge.bench import Bench, prepare
from service.judge.decide import Decision, decide

__all__ = ["Bench", "Decision", "decide", "prepare"]
