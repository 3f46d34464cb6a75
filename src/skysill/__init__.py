"""Will a small satellite dish see its satellite from this spot?

The public API: everything that the three users' jobs need, from reading a site file to writing a record; see
docs/api. Each name is imported from its module when it is first asked for, so that ``import skysill`` loads nothing
heavy. Type checkers read the imports below and see the real types.

>>> import skysill
>>> look = skysill.look_vector(58.0312, -24.6541, 47.7, skysill.Satellite("Demo South", longitude_deg=-24.0))
>>> round(look.elevation_apparent_deg, 2)
24.1
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from skysill.assessment.assessment_cautions import assessment_cautions as assessment_cautions
    from skysill.assessment.cautions import Caution as Caution
    from skysill.assessment.clearance import Clearance as Clearance, Controlling as Controlling
    from skysill.assessment.look_vectors import MountLooks as MountLooks, look_vectors as look_vectors
    from skysill.assessment.pipeline import assess as assess, horizon_profile as horizon_profile
    from skysill.assessment.results import (
        Assessment as Assessment,
        Remedy as Remedy,
        SatelliteResult as SatelliteResult,
        Track as Track,
    )
    from skysill.assessment.sun_reports import MountSun as MountSun, sun_reports as sun_reports
    from skysill.assessment.verdict import Verdict as Verdict
    from skysill.assessment.verdicts_by_year import (
        YearVerdict as YearVerdict,
        verdicts_by_year as verdicts_by_year,
    )
    from skysill.bulk.questions import CallDay as CallDay
    from skysill.bulk.replies import Reply as Reply
    from skysill.bulk.roof_results import RoofSearch as RoofSearch
    from skysill.bulk.screening import (
        Ground as Ground,
        ScreeningQuery as ScreeningQuery,
        ScreeningResults as ScreeningResults,
        screen as screen,
    )
    from skysill.errors import (
        CoverageError as CoverageError,
        InputError as InputError,
        SkysillError as SkysillError,
    )
    from skysill.geodesy.positions import (
        Position as Position,
        format_position as format_position,
        parse_position as parse_position,
    )
    from skysill.horizon.silhouette import Profile as Profile, Silhouette as Silhouette
    from skysill.io.answers import Answers as Answers, read_answers as read_answers
    from skysill.io.as_built import AsBuilt as AsBuilt, read_as_built as read_as_built
    from skysill.io.caller_columns import CallerColumns as CallerColumns
    from skysill.io.checksums import FileChecksum as FileChecksum, file_checksum as file_checksum
    from skysill.io.horizon_tables import horizon_profile_csv as horizon_profile_csv
    from skysill.io.json_text import plain_values as plain_values, to_json_text as to_json_text
    from skysill.io.least_height_rasters import (
        HeightsRequest as HeightsRequest,
        HeightsSummary as HeightsSummary,
        outline_of as outline_of,
        raster_window as raster_window,
        write_heights as write_heights,
    )
    from skysill.io.output_files import write_together as write_together, write_whole as write_whole
    from skysill.io.photos import Photo as Photo, read_photo as read_photo
    from skysill.io.raster_windows import Raster as Raster
    from skysill.io.rasters import RasterSpec as RasterSpec, open_rasters as open_rasters
    from skysill.io.screening import (
        ScreeningRequest as ScreeningRequest,
        ScreeningSummary as ScreeningSummary,
        screen_file as screen_file,
    )
    from skysill.io.site_file import read_site_file as read_site_file
    from skysill.io.site_obstacles import read_scene as read_scene
    from skysill.io.surface_heights import SurfaceHeights as SurfaceHeights
    from skysill.io.survey_tables import (
        read_horizon_csv as read_horizon_csv,
        read_satellites as read_satellites,
    )
    from skysill.model.job import Job as Job, Sources as Sources
    from skysill.model.link import Link as Link, Ray as Ray
    from skysill.model.obstacle_builders import (
        building as building,
        facet as facet,
        pole as pole,
        tree as tree,
        wall as wall,
        wire as wire,
    )
    from skysill.model.obstacles import Obstacle as Obstacle
    from skysill.model.readings import Readings as Readings
    from skysill.model.scene import Scene as Scene
    from skysill.model.site import (
        Criteria as Criteria,
        MastKit as MastKit,
        Mount as Mount,
        OrbitRecord as OrbitRecord,
        Roof as Roof,
        Satellite as Satellite,
        Site as Site,
        Terminal as Terminal,
    )
    from skysill.model.survey import (
        Landmark as Landmark,
        Station as Station,
        SunSighting as SunSighting,
        Survey as Survey,
    )
    from skysill.pointing.compass import (
        Declination as Declination,
        declination as declination,
        magnetic_bearing as magnetic_bearing,
    )
    from skysill.pointing.look_vector import (
        LookVector as LookVector,
        look_track as look_track,
        look_vector as look_vector,
    )
    from skysill.pointing.sun import (
        Alignment as Alignment,
        Crossing as Crossing,
        SunPosition as SunPosition,
        SunReport as SunReport,
        sun_report as sun_report,
    )
    from skysill.radio.fresnel import (
        first_fresnel_radius_m as first_fresnel_radius_m,
        required_room_m as required_room_m,
    )
    from skysill.remedies.search import check as check
    from skysill.report.card import RoofCard as RoofCard, roof_card as roof_card
    from skysill.report.html import (
        card_html as card_html,
        record_html as record_html,
        sheet_html as sheet_html,
    )
    from skysill.report.record import Record as Record, survey_record as survey_record
    from skysill.report.record_pdf import record_pdf as record_pdf
    from skysill.report.sheet import (
        FieldSheet as FieldSheet,
        field_sheet as field_sheet,
        horizon_csv as horizon_csv,
    )
    from skysill.report.sheet_pdf import sheet_pdf as sheet_pdf
    from skysill.siting.allowed_heights import (
        allowed_height_m as allowed_height_m,
        allowed_heights_by_satellite as allowed_heights_by_satellite,
    )
    from skysill.siting.mount_rows import (
        MountRow as MountRow,
        MountsFound as MountsFound,
        mounts_geojson as mounts_geojson,
    )
    from skysill.siting.mounts import compare_mounts as compare_mounts

    __version__: str

_MODULES: dict[str, tuple[str, ...]] = {
    "errors": (
        "SkysillError",
        "InputError",
        "CoverageError",
    ),
    "geodesy.positions": (
        "Position",
        "parse_position",
        "format_position",
    ),
    "model.site": (
        "Site",
        "Mount",
        "Terminal",
        "Satellite",
        "OrbitRecord",
        "Criteria",
        "Roof",
        "MastKit",
    ),
    "model.survey": ("Landmark", "Station", "SunSighting", "Survey"),
    "model.obstacles": ("Obstacle",),
    "model.obstacle_builders": ("building", "facet", "pole", "tree", "wall", "wire"),
    "model.readings": ("Readings",),
    "model.link": ("Link", "Ray"),
    "model.job": (
        "Job",
        "Sources",
    ),
    "pointing.compass": (
        "Declination",
        "declination",
        "magnetic_bearing",
    ),
    "pointing.look_vector": (
        "LookVector",
        "look_vector",
        "look_track",
    ),
    "pointing.sun": (
        "Alignment",
        "Crossing",
        "SunPosition",
        "SunReport",
        "sun_report",
    ),
    "radio.fresnel": (
        "first_fresnel_radius_m",
        "required_room_m",
    ),
    "horizon.silhouette": (
        "Profile",
        "Silhouette",
    ),
    "model.scene": ("Scene",),
    "assessment.clearance": (
        "Clearance",
        "Controlling",
    ),
    "assessment.verdict": ("Verdict",),
    "assessment.cautions": ("Caution",),
    "assessment.results": (
        "Assessment",
        "Remedy",
        "SatelliteResult",
        "Track",
    ),
    "assessment.pipeline": (
        "assess",
        "horizon_profile",
    ),
    "assessment.look_vectors": (
        "MountLooks",
        "look_vectors",
    ),
    "assessment.sun_reports": (
        "MountSun",
        "sun_reports",
    ),
    "assessment.verdicts_by_year": (
        "YearVerdict",
        "verdicts_by_year",
    ),
    "assessment.assessment_cautions": ("assessment_cautions",),
    "remedies.search": ("check",),
    "siting.allowed_heights": ("allowed_height_m", "allowed_heights_by_satellite"),
    "siting.mount_rows": (
        "MountRow",
        "MountsFound",
        "mounts_geojson",
    ),
    "siting.mounts": ("compare_mounts",),
    "bulk.questions": ("CallDay",),
    "bulk.replies": ("Reply",),
    "bulk.roof_results": ("RoofSearch",),
    "bulk.screening": (
        "Ground",
        "ScreeningQuery",
        "ScreeningResults",
        "screen",
    ),
    "io.json_text": ("plain_values", "to_json_text"),
    "io.output_files": ("write_together", "write_whole"),
    "io.raster_windows": ("Raster",),
    "io.rasters": (
        "RasterSpec",
        "open_rasters",
    ),
    "io.survey_tables": (
        "read_horizon_csv",
        "read_satellites",
    ),
    "io.site_obstacles": ("read_scene",),
    "io.site_file": ("read_site_file",),
    "io.checksums": (
        "FileChecksum",
        "file_checksum",
    ),
    "io.answers": ("Answers", "read_answers"),
    "io.caller_columns": ("CallerColumns",),
    "io.as_built": (
        "AsBuilt",
        "read_as_built",
    ),
    "io.photos": (
        "Photo",
        "read_photo",
    ),
    "io.horizon_tables": ("horizon_profile_csv",),
    "io.screening": (
        "ScreeningRequest",
        "ScreeningSummary",
        "screen_file",
    ),
    "io.least_height_rasters": (
        "HeightsRequest",
        "HeightsSummary",
        "outline_of",
        "raster_window",
        "write_heights",
    ),
    "io.surface_heights": ("SurfaceHeights",),
    "report.record": (
        "Record",
        "survey_record",
    ),
    "report.sheet": (
        "FieldSheet",
        "field_sheet",
        "horizon_csv",
    ),
    "report.card": (
        "RoofCard",
        "roof_card",
    ),
    "report.html": (
        "card_html",
        "record_html",
        "sheet_html",
    ),
    "report.record_pdf": ("record_pdf",),
    "report.sheet_pdf": ("sheet_pdf",),
}
"""The public names of each module, for the imports at run time; tests/test_public_api.py compares both lists."""

_MODULE_OF = {name: module for module, names in _MODULES.items() for name in names}

__all__ = [*_MODULE_OF, "__version__"]  # noqa: PLE0604  # names of the table above

if not TYPE_CHECKING:  # a checker that saw this function would take every misspelt name for an object

    def __getattr__(name: str) -> object:
        if name == "__version__":
            from importlib.metadata import version

            value = version("skysill")
        elif name in _MODULE_OF:
            from importlib import import_module

            value = getattr(import_module(f"skysill.{_MODULE_OF[name]}"), name)
        else:
            raise AttributeError(f"skysill has no {name}")
        globals()[name] = value
        return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
