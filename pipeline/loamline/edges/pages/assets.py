"""Style, scripts, and the chart library's own file out of its installed package: nothing comes from elsewhere."""

from __future__ import annotations

import gzip
import hashlib
from functools import cache
from importlib.metadata import version
from importlib.resources import files

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

_OURS = {
    "pages.css": "text/css; charset=utf-8",
    "theme.js": "text/javascript; charset=utf-8",
    "charts.js": "text/javascript; charset=utf-8",
}
_PLOTLY = f"plotly-{version('plotly')}.min.js"
_SCRIPT = "text/javascript; charset=utf-8"


def _content(name: str) -> bytes:
    if name == _PLOTLY:
        return files("plotly").joinpath("package_data", "plotly.min.js").read_bytes()
    return files("loamline.edges.pages").joinpath("static", name).read_bytes()


def _marked(name: str) -> str:
    """Return the name with a mark of its content, so that browsers may keep it for good."""
    return f"{name}?{hashlib.sha256(_content(name)).hexdigest()[:10]}"


#: By short name, what a page refers to below /static/.
ASSETS = {**{name.replace(".", "_"): _marked(name) for name in _OURS}, "plotly": _PLOTLY}


@cache
def _packed(name: str) -> bytes:
    return gzip.compress(_content(name), 6, mtime=0)


async def asset(request: Request) -> Response:
    """Answer with a file; compressed where the browser takes that."""
    name = request.path_params["name"]
    if name not in _OURS and name != _PLOTLY:
        return PlainTextResponse("expected a file of the pages, got another name", 404)
    headers = {"cache-control": "public, max-age=31536000, immutable", "vary": "accept-encoding"}
    if "gzip" in request.headers.get("accept-encoding", ""):
        content = await run_in_threadpool(_packed, name)
        headers["content-encoding"] = "gzip"
    else:
        content = await run_in_threadpool(_content, name)
    return Response(content, headers=headers, media_type=_OURS.get(name, _SCRIPT))
