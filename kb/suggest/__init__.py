"""Statistics of faults and fixes: pure computation on counts, no clock, files or randomness."""

from kb.suggest.facts_of_case import CaseFacts, Evidence, FixTry, RailFact, Tried
from kb.suggest.fix_records import Record, fix_records
from kb.suggest.general import GeneralFault, GeneralKnowledge
from kb.suggest.intervals import jeffreys
from kb.suggest.ledger import Ledger
from kb.suggest.ledger_contents import summed, told_of
from kb.suggest.model_selection import Tuning, choose_strength
from kb.suggest.next_measurement import Candidate, Measurement, Outcome, next_measurements
from kb.suggest.ranking import (
    Cause,
    Ranking,
    Weight,
    WhatIf,
    expected_cost,
    expected_minutes,
    rank,
    stop_point,
    what_if,
    without_line,
)
from kb.suggest.repair_order import StopPoint
from kb.suggest.settings import Settings
from kb.suggest.survival import Lasting, StillWorking, kaplan_meier, lasting_in_family, lasting_of
from kb.suggest.track_record import Compared, Scores, TrackRecord, over_time, track_record

__all__ = [
    "Candidate",
    "CaseFacts",
    "Cause",
    "Compared",
    "Evidence",
    "FixTry",
    "GeneralFault",
    "GeneralKnowledge",
    "Lasting",
    "Ledger",
    "Measurement",
    "Outcome",
    "RailFact",
    "Ranking",
    "Record",
    "Scores",
    "Settings",
    "StillWorking",
    "StopPoint",
    "TrackRecord",
    "Tried",
    "Tuning",
    "Weight",
    "WhatIf",
    "choose_strength",
    "expected_cost",
    "expected_minutes",
    "fix_records",
    "jeffreys",
    "kaplan_meier",
    "lasting_in_family",
    "lasting_of",
    "next_measurements",
    "over_time",
    "rank",
    "stop_point",
    "summed",
    "told_of",
    "track_record",
    "what_if",
    "without_line",
]
