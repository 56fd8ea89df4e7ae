"""Files to raw tables, accepted rows, quarantine and an account to the row."""

from fleetbelt.ingest.check_report import CheckReport
from fleetbelt.ingest.checking import check, suggest_settings
from fleetbelt.ingest.loading import load, unload
from fleetbelt.ingest.reports import FileReport, LoadReport
from fleetbelt.ingest.settling import settle

__all__ = [
    "CheckReport",
    "FileReport",
    "LoadReport",
    "check",
    "load",
    "settle",
    "suggest_settings",
    "unload",
]
