"""Photographs of a site: attached as they come from a phone, shown small, removed."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from skysill.errors import InputError
from skysill.io.photos import Photo, photo_from_bytes, picture_suffix, smaller_jpeg
from skysill.io.record_files import is_photo_name, photo_name
from skysill.io.site_store import NEW_FILE, RevisionConflictError, SiteMissingError
from skysill.io.text import quoted
from skysill.web.answers import endpoint
from skysill.web.state import AppState

__all__ = ["photo_names", "photo_routes"]

_KEPT = (".jpg", ".png")
_PREVIEW_SIDE = 640
_MOST_PHOTOS = 60


def photo_routes(state: AppState) -> list[Route]:
    """Routes to list, attach, show and remove photographs."""

    def listed(request: Request, given: dict[str, Any]) -> Any:
        return {"photos": photo_names(state, request.path_params["name"])}

    def attach(request: Request, given: dict[str, Any]) -> Any:
        return _attach(state, request.path_params["name"], request.path_params["file"], given["raw"])

    def preview(request: Request, given: dict[str, Any]) -> Any:
        raw = _read(state, request.path_params["name"], request.path_params["file"])
        small = smaller_jpeg(photo_from_bytes(raw, request.path_params["file"]), _PREVIEW_SIDE)
        return Response(small, media_type="image/jpeg")

    def remove(request: Request, given: dict[str, Any]) -> Any:
        name, file = request.path_params["name"], request.path_params["file"]
        _read(state, name, file)
        state.store.companion_path(name, file).unlink(missing_ok=True)
        return {"photos": photo_names(state, name)}

    place = "/api/sites/{name}/photos/{file}"
    return [
        Route("/api/sites/{name}/photos", endpoint(listed), methods=["GET"]),
        Route(place, endpoint(attach, raw=True, limiter=state.computing), methods=["PUT"]),
        Route(place, endpoint(preview, limiter=state.computing), methods=["GET"]),
        Route(place, endpoint(remove), methods=["DELETE"]),
    ]


def photo_names(state: AppState, name: str) -> list[str]:
    """File names of the photographs of a site."""
    stem = state.store.path_of(name).stem
    return [one.file for one in state.store.companions(name) if is_photo_name(stem, one.file)]


def _attach(state: AppState, name: str, given: str, raw: bytes) -> dict[str, Any]:
    """Keep a photograph under a name of its own; what is no picture is refused before anything is written."""
    stem, there = state.store.path_of(name).stem, photo_names(state, name)
    if len(there) >= _MOST_PHOTOS:
        raise InputError(f"holds {len(there)} photographs already.", where=name, mend="Remove some first.")
    photo = photo_from_bytes(raw, given)
    suffix = picture_suffix(raw)
    if suffix not in _KEPT:
        raise InputError("is not a JPEG or PNG.", where=photo.name, mend="Save it as JPEG.")
    taken = set(there)
    for _ in range(_MOST_PHOTOS):
        file = photo_name(stem, given, suffix, taken)
        try:
            state.store.write_companion(name, file, raw, revision=NEW_FILE)
        except RevisionConflictError:  # somebody attached one of this name at the same moment
            taken.add(file)
            continue
        return {"file": file, "facts": _facts(photo), "photos": photo_names(state, name)}
    raise InputError("could not be kept under a name of its own.", where=photo.name, mend="Try again.")


def _facts(photo: Photo) -> list[str]:
    facts = list(photo.notes)
    if photo.taken is not None:
        facts.append(f"Taken {photo.taken} by the camera's clock.")
    if photo.latitude_deg is None:
        facts.append("It does not say where it was taken.")
    return facts


def _read(state: AppState, name: str, file: str) -> bytes:
    if not is_photo_name(state.store.path_of(name).stem, file):
        raise SiteMissingError("there is no such photograph.", where=quoted(file))
    raw, _ = state.store.read_companion(name, file)
    return raw
