"""Deliberate faults in the core, one at a time: does a nearby test fail?

    python tests/benchmarks/mutation.py                      the whole table (hours of one processor, see --each)
    python tests/benchmarks/mutation.py radio.fresnel        some modules
    python tests/benchmarks/mutation.py --each 10 --seed 3   ten faults a module, another draw
    python tests/benchmarks/mutation.py radio.fresnel --line 40    of the faults drawn only those on this line

A fault changes one operator, comparison, constant, sign or function name of one module. Its tests are those listed in
NEARBY: the module's own file and those of its neighbours. A fault is found when one of them fails, or when they do not
end within four times what they take without a fault. The source is never written: the tests run against a copy in a
temporary folder. What is drawn depends on the seed and the module's text alone.

Prints a row for each fault that was not found, and a table of shares found. It never passes or fails by itself.
"""

from __future__ import annotations

import argparse
import ast
import atexit
import compileall
import importlib.util
import io
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
SOURCE = ROOT / "src" / "skysill"

PLAIN_LOOPS = tuple(f"bulk/compiled/test_plain_{part}" for part in ("parts", "loops", "voids"))

NEARBY: dict[str, tuple[str, ...]] = {
    "radio.fresnel": ("radio/test_fresnel", "assessment/test_clearance"),
    "pointing.look_vector": ("pointing/test_look_vector", "pointing/test_orbits"),
    "pointing.compass": ("pointing/test_compass", "io/test_site_bearings"),
    "pointing.sun_passages": ("pointing/test_sun_passages",),
    "bulk.questions": ("bulk/test_questions", "bulk/test_caller_texts", "io/test_screening_columns"),
    "bulk.replies": ("bulk/test_replies", "bulk/test_caller_texts"),
    "bulk.survey_order": ("bulk/test_survey_order",),
    "pointing.sun": ("pointing/test_sun", "cli/test_sun"),
    "pointing.ephemeris": ("pointing/test_ephemeris", "pointing/test_sun"),
    "pointing.orbits": ("pointing/test_orbits",),
    "pointing.survey_compass": ("pointing/test_compass", "io/test_site_bearings", "assessment/test_stations"),
    "radio.exposure": ("radio/test_exposure",),
    "radio.foliage": ("radio/test_foliage",),
    "radio.rain": ("report/test_record",),
    "geodesy.positions": ("geodesy/test_positions",),
    "geodesy.grids": ("geodesy/test_positions",),
    "geodesy.angles": ("geodesy/test_positions",),
    "horizon.silhouette": ("horizon/test_silhouette", "horizon/test_measured"),
    "horizon.skyline": ("horizon/test_readings", "horizon/test_measured", "assessment/test_stations"),
    "horizon.measured": ("horizon/test_measured", "horizon/test_readings", "assessment/test_stations"),
    "horizon.rays": ("horizon/test_rays", "horizon/test_terrain"),
    "horizon.ray_march": ("horizon/test_terrain",),
    "horizon.terrain": ("horizon/test_terrain", "assessment/test_pipeline"),
    "model.solids": ("model/test_obstacles", "horizon/test_obstacles", "horizon/test_degenerate"),
    "model.scene": ("model/test_obstacles", "horizon/test_obstacles", "remedies/test_standing_room"),
    "horizon.surface_search": (
        "horizon/test_surface_search",
        "horizon/test_obstacles",
        "horizon/test_degenerate",
    ),
    "horizon.scene_clearance": (
        "horizon/test_surface_search",
        "horizon/test_obstacles",
        "horizon/test_house_rays",
    ),
    "horizon.scene_silhouette": (
        "horizon/test_scene_silhouette",
        "horizon/test_obstacles",
        "assessment/test_certainty",
    ),
    "assessment.clearance": (
        "assessment/test_results",
        "assessment/test_clearance",
        "assessment/test_pipeline",
    ),
    "assessment.error_model": (
        "assessment/test_confidence",
        "assessment/test_certainty",
        "assessment/test_pipeline",
    ),
    "assessment.results": ("assessment/test_results", "assessment/test_pipeline", "siting/test_mounts"),
    "assessment.sampling": (
        "assessment/test_confidence",
        "assessment/test_certainty",
        "assessment/test_pipeline",
    ),
    "assessment.confidence": (
        "assessment/test_confidence",
        "assessment/test_certainty",
        "assessment/test_pipeline",
    ),
    "assessment.verdict": ("assessment/test_verdict", "test_messages", "assessment/test_pipeline"),
    "assessment.placement": ("assessment/test_placement", "assessment/test_pipeline"),
    "assessment.search_window": (
        "assessment/test_search_window",
        "assessment/test_pipeline",
        "assessment/test_certainty",
        "report/test_sheet",
    ),
    "assessment.coverage": (
        "assessment/test_search_window",
        "assessment/test_pipeline",
        "assessment/test_certainty",
        "test_messages",
    ),
    "assessment.job_context": ("assessment/test_job_context", "assessment/test_stations"),
    "assessment.evidence": (
        "assessment/test_evidence",
        "assessment/test_pipeline",
        "assessment/test_placement",
        "assessment/test_stations",
        "assessment/test_certainty",
        "test_messages",
    ),
    "assessment.unseen": (
        "assessment/test_unseen",
        "assessment/test_certainty",
        "assessment/test_pipeline",
        "test_messages",
    ),
    "assessment.growth": ("assessment/test_growth", "assessment/test_pipeline"),
    "assessment.pipeline": (
        "assessment/test_pipeline",
        "assessment/test_growth",
        "test_messages",
        "test_demo",
    ),
    "assessment.overhead_lines": (
        "assessment/test_overhead_lines",
        "remedies/test_overhead_distance",
        "assessment/test_cautions",
    ),
    "remedies.standing_room": ("remedies/test_standing_room",),
    "remedies.raising": (
        "remedies/test_small_scenes",
        "remedies/test_remedies",
        "remedies/test_trial_heights",
        "assessment/test_pipeline",
        "test_demo",
    ),
    "remedies.moving": (
        "remedies/test_small_scenes",
        "remedies/test_remedies",
        "assessment/test_pipeline",
        "test_demo",
    ),
    "remedies.trimming": (
        "remedies/test_small_scenes",
        "remedies/test_remedies",
        "assessment/test_pipeline",
        "test_demo",
    ),
    "remedies.trials": (
        "remedies/test_small_scenes",
        "remedies/test_remedies",
        "assessment/test_pipeline",
        "test_demo",
    ),
    "remedies.search": (
        "remedies/test_small_scenes",
        "remedies/test_remedies",
        "assessment/test_pipeline",
        "test_demo",
    ),
    "remedies.parallax": (
        "remedies/test_small_scenes",
        "remedies/test_remedies",
        "assessment/test_pipeline",
        "test_demo",
    ),
    "remedies.tape_distances": (
        "remedies/test_small_scenes",
        "remedies/test_remedies",
        "assessment/test_pipeline",
        "test_demo",
    ),
    "model.obstacles": ("model/test_obstacles", "horizon/test_obstacles", "horizon/test_degenerate"),
    "model.obstacle_builders": ("model/test_obstacles", "horizon/test_obstacles", "horizon/test_degenerate"),
    "model.roof_forms": ("horizon/test_roof_surface",),
    "pointing.shadows": ("pointing/test_sun", "cli/test_sun"),
    "horizon.block_maxima": ("horizon/test_block_maxima",),
    "bulk.local_maps": ("bulk/test_ray_fan",),
    "bulk.prefilter": ("bulk/test_prefilter",),
    "bulk.quadtree": ("bulk/test_quadtree",),
    "bulk.ray_fan": ("bulk/test_ray_fan", "bulk/test_obstruction_depth"),
    "bulk.ray_samples": ("bulk/test_ray_fan", "bulk/test_obstruction_depth"),
    "bulk.cell_edges": ("bulk/test_cell_edges", "bulk/test_controlling_obstruction"),
    "bulk.cell_maxima": ("bulk/test_cell_maxima", "bulk/test_controlling_obstruction"),
    "bulk.obstruction_depth": ("bulk/test_obstruction_depth", "bulk/test_controlling_obstruction"),
    "bulk.fan_results": ("bulk/test_fan_results", "bulk/test_controlling_obstruction"),
    "bulk.controlling_obstruction": ("bulk/test_controlling_obstruction", "bulk/test_obstruction_depth"),
    "bulk.thresholds": ("bulk/test_thresholds",),
    "bulk.monte_carlo": ("bulk/test_monte_carlo",),
    "bulk.raster_gaps": (
        "bulk/test_raster_gaps",
        "bulk/test_screening",
    ),
    "bulk.screening_verdicts": (
        "bulk/test_screening_verdicts",
        "bulk/test_screening",
    ),
    "bulk.screening": ("bulk/test_position_error", "bulk/test_screening"),
    "bulk.running_maximum": ("bulk/test_running_maximum", "bulk/test_least_heights"),
    "bulk.raster_tiles": ("bulk/test_least_heights",),
    "bulk.sweep_geometry": (
        "bulk/test_sweep_geometry",
        "bulk/test_least_heights",
    ),
    "bulk.least_heights": ("bulk/test_least_heights",),
    "bulk.roof_spots": ("bulk/test_roof_spots",),
    "bulk.roof_choice": ("bulk/test_roof_choice",),
    "bulk.finding_verdicts": ("bulk/test_roof_screening", "bulk/test_roof_choice"),
    "bulk.sight_lines": ("bulk/test_surface_heights",),
    "bulk.surface_heights": ("bulk/test_surface_heights",),
    "siting.roof_answers": ("siting/test_grid_steps", "siting/test_roof_answers", "report/test_card"),
    "siting.spot_review": ("web/test_roof",),
    "extraction.outline_snap": ("extraction/test_outline_snap", "extraction/test_outline_corners"),
    "plots.hillshade": (
        "plots/test_hillshade",
        "plots/test_screening_map",
        "plots/test_property_map",
        "io/test_backdrops",
    ),
    "report.card": ("report/test_card_words", "report/test_card"),
    "report.card_page": ("report/test_card_words", "report/test_card"),
    "report.card_plan": ("report/test_card_words", "report/test_card"),
    "report.record_changes": ("report/test_record_changes", "report/test_readings_changed"),
    "report.survey_progress": ("report/test_survey_spans", "report/test_survey_progress", "web/test_survey"),
    "io.site_edits": ("io/test_edits_new_lists", "io/test_site_edits", "web/test_sites"),
    "io.site_store": ("web/test_store", "web/test_sites", "web/test_access"),
    "io.reading_rows": ("io/test_reading_rows", "web/test_survey"),
    "io.record_files": ("web/test_record",),
    "io.last_record": ("report/test_record_changes",),
    "io.answers": ("io/test_answers", "io/test_answers_heads"),
    "web.access": ("web/test_access", "web/test_serving"),
    "web.addresses": ("web/test_serving",),
    "web.answers": ("web/test_sites", "web/test_access"),
    "web.app": ("web/test_small_answers", "web/test_serving", "web/test_sites", "web/test_access"),
    "web.desk": ("web/test_sites", "web/test_access", "web/test_places"),
    "web.new_places": ("web/test_places", "web/test_serving"),
    "web.pages": ("web/test_survey", "web/test_access", "web/test_record"),
    "web.photo_files": ("web/test_record",),
    "web.reading_store": ("web/test_survey",),
    "web.record": ("web/test_record",),
    "web.roof": ("web/test_roof",),
    "web.roof_plan": ("web/test_roof",),
    "web.server": ("web/test_serving", "web/test_access"),
    "web.site_checks": ("web/test_sites", "web/test_places"),
    "web.sites": ("web/test_small_answers", "web/test_sites", "web/test_access", "web/test_places"),
    "web.state": ("web/test_small_answers", "web/test_sites", "web/test_serving", "web/test_access"),
    "web.survey": ("web/test_survey",),
    "web.tasks": ("web/test_serving", "web/test_record"),
    "web.warm_jobs": ("web/test_serving", "web/test_sites"),
    "bulk.compiled.raster_stack": PLAIN_LOOPS,
    "bulk.compiled.ray_sampling": PLAIN_LOOPS,
    "bulk.compiled.reach": PLAIN_LOOPS,
    "bulk.compiled.cone": PLAIN_LOOPS,
    "bulk.compiled.cubic_maps": PLAIN_LOOPS,
    "bulk.compiled.skyline": PLAIN_LOOPS,
    "bulk.compiled.standing_off": PLAIN_LOOPS,
    "bulk.compiled.kernel": PLAIN_LOOPS,
    "bulk.compiled.placed": PLAIN_LOOPS,
    "bulk.compiled.verdicts": PLAIN_LOOPS,
    "bulk.compiled.draws": PLAIN_LOOPS,
    "bulk.compiled.measure": PLAIN_LOOPS,
    "bulk.compiled.search": PLAIN_LOOPS,
    "bulk.compiled.columns": PLAIN_LOOPS,
    "bulk.compiled.column_search": PLAIN_LOOPS,
    "bulk.compiled.certainty": PLAIN_LOOPS,
    "bulk.compiled.sampled_room": PLAIN_LOOPS,
    "bulk.compiled.fan_ground": PLAIN_LOOPS,
    "bulk.compiled.piece_bounds": PLAIN_LOOPS,
    "bulk.compiled.place_fields": PLAIN_LOOPS,
    "bulk.compiled.obstructions": PLAIN_LOOPS,
}
"""Test files below tests/ for each module; its own examples count too."""

SWAPS: dict[type, type] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.Add, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
    ast.Lt: ast.GtE, ast.Gt: ast.LtE, ast.LtE: ast.Gt, ast.GtE: ast.Lt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In, ast.And: ast.Or, ast.Or: ast.And,
}  # fmt: skip
_PAIRS = (
    ("minimum", "maximum"), ("min", "max"), ("sin", "cos"), ("any", "all"), ("argmin", "argmax"), ("floor", "ceil"),
    ("deg2rad", "rad2deg"), ("radians", "degrees"), ("arcsin", "arccos"), ("nanmin", "nanmax"), ("argsort", "argmax"),
    ("logical_and", "logical_or"), ("isfinite", "isnan"), ("fmin", "fmax"),
)  # fmt: skip
NAMES = {a: b for pair in _PAIRS for a, b in (pair, pair[::-1])}
SILENT_KEYWORDS = {"strict", "frozen", "slots", "eq", "kw_only", "maxsize", "indexing", "metadata", "samples"}
"""Keywords whose value changes nothing that a user gets, or only how long it takes."""


@dataclass(frozen=True)
class Fault:
    """One change: where, what it was, what it becomes, and the whole changed text."""

    line: int
    was: str
    now: str
    text: str


class _Sites(ast.NodeVisitor):
    """Every place that can be changed, as (node, change) in the order of the text."""

    def __init__(self) -> None:
        self.found: list[tuple[ast.AST, str]] = []

    def visit(self, node: ast.AST) -> None:
        match node:
            case ast.Raise() | ast.JoinedStr() | ast.Import() | ast.ImportFrom():
                return  # sentences of errors, and texts
            case ast.FunctionDef():
                for part in (*node.args.defaults, *[d for d in node.args.kw_defaults if d], *node.body):
                    self.visit(part)
                return
            case ast.AnnAssign():
                if node.value is not None:
                    self.visit(node.value)
                return
            case ast.Assign() if isinstance(node.targets[0], ast.Name) and node.targets[0].id == "__all__":
                return
            case ast.keyword() if node.arg in SILENT_KEYWORDS:
                return
            case ast.BinOp() if not isinstance(node.left, ast.Constant) or not isinstance(
                node.left.value, str
            ):
                if type(node.op) in SWAPS:
                    self.found.append((node, "operator"))
            case ast.UnaryOp() if isinstance(node.op, ast.USub | ast.Not | ast.Invert):
                self.found.append((node, "sign"))
            case ast.Compare() if len(node.ops) == 1 and type(node.ops[0]) in SWAPS:
                self.found.append((node, "comparison"))
            case ast.BoolOp():
                self.found.append((node, "and-or"))
            case ast.Constant() if isinstance(node.value, bool | int | float):
                self.found.append((node, "constant"))
            case ast.Call():
                name = node.func
                word = name.attr if isinstance(name, ast.Attribute) else getattr(name, "id", "")
                if word in NAMES:
                    self.found.append((name, "name"))
        self.generic_visit(node)


def _changed(node: ast.AST, change: str) -> ast.AST:
    """The node with its change made, as a new node."""
    match node:
        case ast.BinOp():
            return ast.BinOp(node.left, SWAPS[type(node.op)](), node.right)
        case ast.UnaryOp():
            return node.operand
        case ast.Compare():
            return ast.Compare(node.left, [SWAPS[type(node.ops[0])]()], node.comparators)
        case ast.BoolOp():
            return ast.BoolOp(SWAPS[type(node.op)](), node.values)
        case ast.Constant(value=bool()):
            return ast.Constant(not node.value)
        case ast.Constant():
            return ast.Constant(node.value * 2 if node.value else type(node.value)(1))
        case ast.Attribute():
            return ast.Attribute(node.value, NAMES[node.attr], node.ctx)
        case ast.Name():
            return ast.Name(NAMES[node.id], node.ctx)
    raise AssertionError(change)


def faults(module: str, text: str, each: int, seed: int) -> list[Fault]:
    """`each` faults of one module's text, drawn without putting back."""
    sites = _Sites()
    sites.visit(ast.parse(text))
    drawn = random.Random(f"{seed} {module} {text}").sample(sites.found, min(each, len(sites.found)))
    rows = text.splitlines(keepends=True)
    starts = [0]
    for row in rows:
        starts.append(starts[-1] + len(row.encode()))
    raw, made = text.encode(), []
    for node, change in sorted(drawn, key=lambda one: (one[0].lineno, one[0].col_offset)):
        first = starts[node.lineno - 1] + node.col_offset
        last = starts[node.end_lineno - 1] + node.end_col_offset
        now = ast.unparse(ast.fix_missing_locations(ast.copy_location(_changed(node, change), node)))
        if not isinstance(node, ast.Attribute | ast.Name | ast.Constant):
            now = f"({now})"
        made.append(
            Fault(
                node.lineno, raw[first:last].decode(), now, (raw[:first] + now.encode() + raw[last:]).decode()
            )
        )
    return made


def _file(module: str) -> str:
    return f"skysill/{module.replace('.', '/')}.py"


def _copied() -> Path:
    """A folder with a copy of the source, compiled."""
    copy = Path(tempfile.mkdtemp(prefix="faults"))
    atexit.register(shutil.rmtree, copy, ignore_errors=True)
    shutil.copytree(SOURCE, copy / "skysill", ignore=shutil.ignore_patterns("__pycache__"))
    compileall.compile_dir(copy, quiet=2)
    return copy


def _run(copy: Path, module: str, text: str, limit_s: float) -> tuple[bool, float]:
    """Whether the tests pass with this text in place of the module's, and how long they took (in a child process)."""
    place = copy / _file(module)
    place.write_text(text, encoding="utf-8")
    Path(importlib.util.cache_from_source(str(place))).unlink(missing_ok=True)
    tests = [str(place), *(str(ROOT / "tests" / f"{test}.py") for test in NEARBY[module])]
    began = time.monotonic()
    child = os.fork()
    if not child:
        os.setsid()
        os.chdir(ROOT)
        import pytest

        sink = open(os.devnull, "w")  # noqa: SIM115  # closed with the process
        os.dup2(sink.fileno(), 1)
        os.dup2(sink.fileno(), 2)
        with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
            flags = ["-x", "-q", "-p", "no:cacheprovider", "-m", "not slow", f"--rootdir={ROOT}"]
            code = pytest.main([*flags, "-c", str(ROOT / "pyproject.toml"), *tests])
        os._exit(int(code))
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        took_s = time.monotonic() - began
        if done:
            return os.waitstatus_to_exitcode(status) == 0, took_s
        if took_s > limit_s:
            os.killpg(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return False, took_s
        time.sleep(0.02)


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("modules", nargs="*", help=f"of {', '.join(NEARBY)}")
    ask.add_argument("--each", type=int, default=15, help="faults a module")
    ask.add_argument("--seed", type=int, default=58)
    ask.add_argument(
        "--line", type=int, action="append", help="only the faults drawn on this line (repeatable)"
    )
    asked = ask.parse_args()
    os.environ["CI"] = "1"  # the same invented examples each time
    copy = _copied()
    os.environ |= {"PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"}
    sys.dont_write_bytecode = True
    sys.path.insert(0, str(copy))
    for heavy in ("numpy", "scipy.special", "shapely", "pyproj", "rasterio", "pyogrio", "matplotlib.figure"):
        __import__(heavy)  # once, not in each child
    total = found = 0
    table = []
    for module in asked.modules or NEARBY:
        whole = (SOURCE.parent / _file(module)).read_text(encoding="utf-8")
        passes, alone_s = _run(copy, module, whole, 600.0)
        if not passes:
            print(f"{module}: its tests fail without any fault", flush=True)
            continue
        made, left = faults(module, whole, asked.each, asked.seed), 0
        made = [fault for fault in made if asked.line is None or fault.line in asked.line]
        for fault in made:
            passes, _ = _run(copy, module, fault.text, 10.0 + 4.0 * alone_s)
            if passes:
                left += 1
                was, now = (" ".join(part.split())[:70] for part in (fault.was, fault.now))
                print(f"not found  {module}:{fault.line}  {was}  ->  {now}", flush=True)
        (copy / _file(module)).write_text(whole, encoding="utf-8")
        total, found = total + len(made), found + len(made) - left
        table.append(
            f"| {module} | {len(made)} | {len(made) - left} | {100 * (len(made) - left) / max(len(made), 1):.0f} % |"
        )
        print(table[-1], flush=True)
    print("\n| module | faults | found | share |\n| --- | --- | --- | --- |", *table, sep="\n")
    print(f"| all | {total} | {found} | {100 * found / max(total, 1):.0f} % |")


if __name__ == "__main__":
    main()
