"""Files to raw tables, accepted rows, quarantine and an account to the row."""

from fleetbelt.ingest.loading import load, unload
from fleetbelt.ingest.reports import FileReport, LoadReport
from fleetbelt.ingest.settle import settle

__all__ = ["FileReport", "LoadReport", "load", "settle", "unload"]
