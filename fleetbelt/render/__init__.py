"""Results to figures, tables and pages: one HTML file a page, without a network."""

from fleetbelt.render.frames import NEEDED
from fleetbelt.render.pages import headlines, render_pages

__all__ = ["NEEDED", "headlines", "render_pages"]
