"""The work plan to take away: a workbook for the office, a calendar for the shop."""

from fleetbelt.takeaway.files import NEEDED, write_work_plan

__all__ = ["NEEDED", "write_work_plan"]
