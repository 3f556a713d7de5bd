"""Turns recorded laps into a reference and corners: pure functions, no files."""

from coach.survey.errors import NoValidLap, SurveyError
from coach.survey.laps import Lap
from coach.survey.seam import Seam
from coach.survey.survey import Survey, survey

__all__ = ["Lap", "NoValidLap", "Seam", "Survey", "SurveyError", "survey"]
