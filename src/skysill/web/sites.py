"""The API of sites: list, new, read, edit, files, check, tasks."""

from __future__ import annotations

import mimetypes
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from skysill.errors import InputError
from skysill.io.job_options import JobOptions, today
from skysill.io.site_edits import changed_paths, site_values
from skysill.io.site_file import read_site_file
from skysill.io.site_store import NEW_FILE, RevisionConflictError, StoredSite
from skysill.web.answers import endpoint, error_response, field_of, json_response
from skysill.web.site_checks import check_document, edited_text, mount_for, warm_job_for
from skysill.web.state import AppState

__all__ = ["routes", "site_document"]


def routes(state: AppState) -> list[Route]:
    """Routes of sites, their files, checks and tasks."""

    def listed(request: Request, given: dict[str, Any]) -> Any:
        return {"sites": [asdict(entry) for entry in state.store.sites()]}

    def read(request: Request, given: dict[str, Any]) -> Any:
        return site_document(state, state.store.read(request.path_params["name"]))

    def edit(request: Request, given: dict[str, Any]) -> Any:
        return _edit(state, request.path_params["name"], given)

    def check(request: Request, given: dict[str, Any]) -> Any:
        warm, _ = warm_job_for(state, request.path_params["name"], given)
        return check_document(warm, mount_for(warm, given), given)

    def read_file(request: Request, given: dict[str, Any]) -> Any:
        name, file = request.path_params["name"], request.path_params["file"]
        raw, revision = state.store.read_companion(name, file)
        kind = mimetypes.guess_type(file)[0] or "application/octet-stream"
        headers = {"etag": f'"{revision}"', "content-disposition": "attachment"}
        return Response(raw, media_type=kind, headers=headers)

    def write_file(request: Request, given: dict[str, Any]) -> Any:
        name, file = request.path_params["name"], request.path_params["file"]
        wanted = request.headers.get("if-match", "").strip().strip('"')
        if not wanted and request.headers.get("if-none-match", "").strip() == "*":
            wanted = NEW_FILE
        if not wanted:
            raise InputError(
                "say which file is to be replaced.",
                mend="Send If-Match with its revision, or If-None-Match: *.",
            )
        revision = state.store.write_companion(name, file, given["raw"], revision=wanted)
        return {"file": file, "revision": revision}

    tasks = _task_routes(state)
    return [
        Route("/api/sites", endpoint(listed)),
        Route("/api/sites/{name}", endpoint(read), methods=["GET"]),
        Route("/api/sites/{name}", endpoint(edit), methods=["PATCH"]),
        Route("/api/sites/{name}/check", endpoint(check, limiter=state.limiter_of), methods=["POST"]),
        Route("/api/sites/{name}/files/{file}", endpoint(read_file), methods=["GET"]),
        Route("/api/sites/{name}/files/{file}", endpoint(write_file, raw=True), methods=["PUT"]),
        *tasks,
    ]


def site_document(state: AppState, stored: StoredSite) -> dict[str, Any]:
    """A site as the pages see it: name, revision, its values, the files beside it, and why it cannot be read."""
    state.recent.keep(stored.revision, stored.text)
    fault = None
    try:
        values = site_values(stored.text, stored.path.name)
    except InputError as wrong:
        values, fault = {}, str(wrong)
    return {
        "name": stored.name,
        "file": stored.path.name,
        "revision": stored.revision,
        "site": values,
        "fault": fault,
        "files": [asdict(one) for one in state.store.companions(stored.name)],
    }


def _edit(state: AppState, name: str, given: Mapping[str, Any]) -> Any:
    revision, edits = field_of(given, "revision", str), field_of(given, "edits", list)
    if revision is None or edits is None:
        raise InputError("an edit gives revision and edits.")
    stored = state.store.read(name)
    if stored.revision != revision:
        return _conflict(state, stored, revision, edits)
    text = edited_text(state, stored, edits)
    fault = _fault_of(stored, text)
    if fault is not None and str(fault) != str(_fault_of(stored, stored.text)):
        raise fault
    try:
        written = state.store.write(name, text, revision=revision)
    except RevisionConflictError as fault:
        if fault.revision is None or fault.text is None:
            return error_response(fault)
        return _conflict(state, state.store.read(name), revision, edits)
    return site_document(state, written)


def _fault_of(stored: StoredSite, text: str) -> InputError | None:
    """What is wrong with the values of a site file, apart from the files that it names."""
    options = JobOptions(site_text=text)
    try:
        read_site_file(
            stored.path, options=options, without=("terrain", "horizon", "obstacles"), default_date=today()
        )
    except InputError as fault:
        return fault
    return None


def _conflict(state: AppState, theirs: StoredSite, revision: str, edits: list[Any]) -> Response:
    """Someone else saved meanwhile: their values, and the fields that both changed."""
    now = site_document(state, theirs)
    base = state.recent.get(revision)
    known = None if base is None else site_values(base, theirs.path.name)
    return json_response(
        {
            "error": f"{theirs.path.name} was changed by someone else since you read it. Nothing of yours is lost.",
            "path": None,
            "fields": changed_paths(edits, known, now["site"], theirs.path.name),
            "revision": now["revision"],
            "site": now["site"],
        },
        409,
    )


def _task_routes(state: AppState) -> list[Route]:
    def start(request: Request, given: dict[str, Any]) -> Any:
        kind = field_of(given, "kind", str, "")
        if kind not in state.task_kinds:
            raise InputError("is no kind of task.", where="kind")
        task = state.tasks.start(kind, state.task_kinds[kind](state, given))
        return {"task": task.key}

    def look(request: Request, given: dict[str, Any]) -> Any:
        return _task_document(state, request.path_params["key"])

    def cancel(request: Request, given: dict[str, Any]) -> Any:
        state.tasks.cancel(request.path_params["key"])
        return _task_document(state, request.path_params["key"])

    return [
        Route("/api/tasks", endpoint(start), methods=["POST"]),
        Route("/api/tasks/{key}", endpoint(look), methods=["GET"]),
        Route("/api/tasks/{key}", endpoint(cancel), methods=["DELETE"]),
    ]


def _task_document(state: AppState, key: str) -> dict[str, Any]:
    task = state.tasks.get(key)
    document: dict[str, Any] = {
        "task": task.key,
        "kind": task.kind,
        "state": task.state,
        "done": task.done,
        "of": task.of,
        "result": task.result if task.state == "done" else None,
        "error": None,
        "path": None,
    }
    if task.fault is not None:
        import json

        document |= json.loads(bytes(error_response(task.fault, folder=state.store.folder).body))
    return document
