"""Pages for operators and customers: what the store holds, rendered on the server, read as a printed report is."""

from loamline.edges.pages.access import Sessions
from loamline.edges.pages.app import make_pages

__all__ = ["Sessions", "make_pages"]
