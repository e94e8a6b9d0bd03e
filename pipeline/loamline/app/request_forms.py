"""The forms that requests to the running daemon have to fit, one class a form."""

from __future__ import annotations

from pathlib import Path

from pydantic import AwareDatetime, BaseModel, ConfigDict

from loamline.app.replaying import Scope
from loamline.core.reference import RegistryState


class Form(BaseModel):
    """A request's fields; `request` is its name."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    request: str


class ScopeForm(Form):
    """What a replay is to be about; nothing given means everything."""

    probes: tuple[str, ...] = ()
    sites: tuple[str, ...] = ()
    curves: tuple[str, ...] = ()
    since: AwareDatetime | None = None
    until: AwareDatetime | None = None

    def scope(self) -> Scope:
        """Return it as the store's side takes it."""
        return Scope(self.probes, self.sites, self.curves, self.since, self.until)


class ApplyForm(ScopeForm):
    """A revision to make."""

    reason: str
    asked_by: str


class RevisionForm(Form):
    """A revision that is meant, the latest where none is named."""

    revision: int | None = None


class PreviewForm(ScopeForm):
    """What a replay would change; with `file`, rows are handed over there as `ComparedRows` writes them."""

    file: Path | None = None
    whole_probes: bool = False


class AsOfForm(Form):
    """Readings as of a revision or an instant, handed over in `file`."""

    file: Path
    probe: str | None = None
    site: str | None = None
    since: AwareDatetime | None = None
    until: AwareDatetime | None = None
    revision: int | None = None
    instant: AwareDatetime | None = None


class ArchiveRunForm(Form):
    """Closed months to be moved into `folder`."""

    folder: Path
    before: str | None = None


class RestoreForm(Form):
    """An archived month, or all, to be put back."""

    month: str | None = None
    delete: bool = False


class SiteForm(Form):
    """A site that is meant, all where none is named."""

    site: str | None = None


class BackupForm(Form):
    """A backup to be written to `file`, which is not there."""

    file: Path


class MirrorForm(Form):
    """A mirror to be brought up to date in `folder`."""

    folder: Path


class RegistryForm(Form):
    """A registry that was read from a folder and checked."""

    state: RegistryState
    note: str


class KeyForm(Form):
    """A key to the read API that was made where it is shown: its id and digest."""

    key_id: str
    digest: str
    customer: str | None = None
    scopes: tuple[str, ...] = ()
    note: str = ""


class KeyIdForm(Form):
    """A key that is meant."""

    key_id: str
