"""Figures from a log, and from nothing else: what a live run concludes and what a later reading concludes
are the same by construction. Times come from the records."""

from gateway.analysis.measure.statistics import ChannelSurvey, NodeSurvey, measure_run, survey_run

__all__ = ["ChannelSurvey", "NodeSurvey", "measure_run", "survey_run"]
