"""Imports go one way, and heavy libraries stay where they belong."""

import ast
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "fruitvision"

# What each part of the package may import from the package. A step knows the records, not the
# steps after it; only the pipeline knows the order.
BASE = {"errors", "domain", "settings"}
ALLOWED: dict[str, set[str]] = {
    "errors": set(),
    "domain": set(),
    "share": set(),
    "settings": {"errors", "unit_system"},
    "units": {"errors"},
    "unit_system": {"domain", "errors", "units"},
    "csv_file": {"errors", "text_file", "units", "xlsx_file"},
    "text_file": {"errors"},
    "xlsx_file": {"errors", "text_file"},
    "whole_file": {"errors"},
    "accounts": {"errors", "records", "whole_file"},
    "field_table": {"errors", "csv_file"},
    "field_data": BASE | {"crop_load", "field_table", "csv_file", "unit_system", "units"},
    "walk_data": BASE | {"field_data", "field_table", "csv_file", "units"},
    "office_data": BASE | {"field_data", "field_table", "csv_file", "unit_system", "units"},
    "packed_data": BASE | {"field_table", "csv_file", "units"},
    "learning": BASE | {"forecast"},
    "packout_data": BASE | {"field_table", "csv_file", "units"},
    "room_data": BASE | {"field_table", "csv_file", "units"},
    "price_data": BASE | {"field_table", "csv_file", "units"},
    "size_table": BASE | {"csv_file", "unit_system", "units"},
    "jpeg": set(),
    "photo": BASE | {"jpeg", "photo_folder", "photo_tags"},
    "thumbnail": BASE | {"photo", "whole_file"},
    "photo_tags": BASE | {"lens_tags"},
    "lens_tags": BASE,
    "photo_place": BASE | {"photo_tags"},
    "photo_folder": BASE | {"whole_file"},
    "reference": BASE | {"camera", "cut_marker", "marker_search", "marker_shape", "marker_sides"},
    "cut_marker": BASE,
    "marker_shape": BASE | {"cut_marker"},
    "marker_sides": set(),
    "marker_search": BASE | {"cut_marker"},
    "marker_sheet": BASE | {"marker_search", "printed_ruler", "reference", "units", "whole_file"},
    "sampling": BASE,
    "printed_letters": set(),
    "walk_list": BASE | {"printed_letters", "sampling", "whole_file"},
    "drawings": set(),
    "training_card": BASE | {"drawings", "share", "whole_file"},
    "walk_progress": BASE | {"tree", "walk_data"},
    "capture": BASE | {"fruit"},
    "camera": BASE,
    "balls": BASE | {"camera"},
    "lens": BASE | {"camera", "printed_ruler", "whole_file"},
    "printed_ruler": {"settings"},
    "scale": BASE | {"camera", "scale_plane"},
    "scale_plane": BASE,
    "reference_table": BASE | {"field_table", "csv_file", "units"},
    "cores": set(),
    "fruit": BASE | {"rows_behind", "camera", "cores", "scale", "share"},
    "views": BASE | {"camera", "scale"},
    "overlay": BASE | {"unit_system", "whole_file"},
    "evaluate": BASE
    | {"console", "fruit", "photo", "reference", "scale", "size_mixture", "whole_file"},
    "train": BASE | {"cores", "evaluate", "fruit", "whole_file"},
    "survey": BASE,
    "sizing_chance": BASE,
    "review": BASE | {"fruit"},
    "outlines_coco": BASE | {"review"},
    "outlines_coco_in": BASE | {"outlines_coco", "review"},
    "tree": BASE | {"rows_behind", "sizing_chance"},
    "rows_behind": BASE,
    "two_phase": BASE | {"survey"},
    "pooling": BASE | {"survey"},
    "register": BASE | {"units"},
    "hidden_pairs": BASE | {"survey"},
    "waiting_counts": BASE | {"hidden_pairs"},
    "hidden_pool": BASE | {"survey", "pooling", "hidden_pairs"},
    "hidden_factor": BASE | {"survey", "hidden_pool"},
    "hidden": BASE | {"survey", "hidden_factor", "hidden_pairs", "hidden_pool"},
    "pair_noise": set(),
    "caliper_check": BASE | {"pair_noise"},
    "caliper_pairs": BASE | {"caliper_check", "csv_file", "field_data", "field_table", "units"},
    "caliper_plot": BASE | {"caliper_check", "whole_file"},
    "size_shares": BASE,
    "size_fit": set(),
    "size_mixture": {"size_fit"},
    "size_mean": BASE | {"survey"},
    "sizes": BASE | {"survey", "tree", "size_mean", "size_mixture"},
    "strata": BASE | {"register", "two_phase"},
    "walk_spread": BASE,
    "block": BASE
    | {"survey", "two_phase", "register", "strata", "walk_spread", "sizes"}
    | {"hidden", "hidden_pairs", "hidden_pool"},
    "attention": BASE | {"survey", "strata"},
    "attention_heights": BASE | {"attention"},
    "forecast": BASE | {"survey"},
    "harvest": BASE | {"forecast", "worth"},
    "orders": BASE | {"csv_file", "field_table", "forecast", "units"},
    "papers": BASE
    | {"csv_file", "field_data", "field_table", "office_data", "orders", "packed_data"}
    | {"packout_data", "price_data", "text_file", "units", "xlsx_file"},
    "crop_load": BASE,
    "sample_errors": BASE,
    "advice": BASE | {"sample_errors"},
    "worth": BASE | {"advice", "forecast", "sample_errors"},
    "thinning_effect": BASE | {"crop_load"},
    "thinning": BASE | {"crop_load", "sample_errors", "thinning_effect"},
    "field_map": BASE | {"hidden_pairs"},
    "trust": BASE | {"advice"},
    "target": BASE | {"forecast", "survey"},
    "records": BASE,
    "store": BASE | {"records", "photo_folder", "whole_file"},
    "migrations": {"store"},
    "archive": BASE | {"records", "store", "whole_file"},
    "sheet": BASE | {"forecast"},
    "export": BASE
    | {"forecast", "harvest", "printed_letters", "records", "sheet", "unit_system", "whole_file"},
    "batch": BASE | {"cores"},
    "cluster": BASE | {"__init__", "batch", "cores", "fruit", "photo"},
}
# Top-level parts that may import any of the above.
FREE = {
    "__init__",
    "pipeline",
    "report",
    "console",
    "cli",
    "commands",
    "serve",
    "simulate",
    "bench_app",
    "bench_speed",
    "work",
}
# Libraries that only these parts may import.
HEAVY = {
    "streamlit": {"bench_app"},
    "torch": {"train"},
    "onnxruntime": {"fruit", "train"},
    "mitsuba": {"simulate"},
    "sqlalchemy": {"store", "migrations"},
    "alembic": {"store", "migrations"},
    "reportlab": {"export", "lens", "marker_sheet", "printed_ruler", "training_card", "walk_list"},
    "xlsxwriter": {"export"},
    "pi_heif": {"photo", "photo_place"},
    "argon2": {"accounts"},
    "svglib": {"training_card"},
    "icalendar": {"export"},
    "pyarrow": {"export"},
    "filelock": {"accounts", "pipeline", "work"},
    "dask": {"cluster"},
    "distributed": {"cluster"},
    "fsspec": {"cluster"},
}


def _part(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


@cache
def _imports(path: Path) -> frozenset[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: relative import"
            names.add(node.module or "")
            names.update(f"{node.module}.{alias.name}" for alias in node.names)
    return frozenset(names)


FILES = sorted(path for path in PACKAGE.rglob("*.py") if "share" not in path.parts[:-1])
PARTS = {_part(path) for path in FILES}


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_go_one_way(path: Path) -> None:
    part = _part(path)
    assert part in ALLOWED or part in FREE, f"{part} has no place on the map"
    if part in FREE:
        return
    for name in _imports(path):
        if name.startswith("fruitvision.") and (other := name.split(".")[1]) in PARTS:
            assert other == part or other in ALLOWED[part], f"{part} must not import {other}"


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_heavy_libraries_stay_where_they_belong(path: Path) -> None:
    for name in _imports(path):
        library = name.split(".")[0]
        if library in HEAVY:
            assert _part(path) in HEAVY[library], f"{path.name} must not import {library}"
