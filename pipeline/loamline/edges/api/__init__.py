"""The read API over HTTP: what is stored, for whoever holds a key, in the media type that it asks for."""

from loamline.edges.api.app import Limits, make_api
from loamline.edges.api.serving import ApiError, Serving, serve_in_thread

__all__ = ["ApiError", "Limits", "Serving", "make_api", "serve_in_thread"]
