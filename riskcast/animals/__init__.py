"""What did we weigh, and which animals are those?"""

from __future__ import annotations

from riskcast.animals.found import FoundRecords, read_found
from riskcast.animals.history import current, gains, last_round
from riskcast.animals.records import FileCount, Records, read, rejected_csv
from riskcast.animals.sheet import blank_workbook, write_blank_sheet

__all__ = [
    "FileCount",
    "FoundRecords",
    "Records",
    "blank_workbook",
    "current",
    "gains",
    "last_round",
    "read",
    "read_found",
    "rejected_csv",
    "write_blank_sheet",
]
