"""The sentences that the library makes and a page can show, as templates with named places.

Found in the source: `f"There is no farm in {folder}."` is the template `There is no farm in
{folder}.` Run as `python -m tests.app.library_sentences es` to see what lacks a translation.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import fruitvision

ROOT = Path(fruitvision.__file__).parent
# Folders and modules whose words no page reaches, and why.
NO_PAGE = {
    "simulate": "invented orchards, made on the command line",
    "train": "training of detectors, on the command line",
    "evaluate": "judging of detectors, on the command line",
    "bench_app": "a bench, on the command line",
    "bench_speed": "a bench, on the command line",
    "bench_app.py": "a bench, on the command line",
    "migrations": "SQL",
    "accounts": "the command line; who signs in reads the texts of the gate",
    "archive/manifest.py": "the command line, and words of a data format",
    "archive/restore.py": "the command line",
    "photo_place.py": "the command line",
    "pipeline/people.py": "the command line",
    "pipeline/trail.py": "a table that is handed on",
    "pipeline/fruit_rows.py": "the command line",
    "pipeline/mapped.py": "the command line",
    "pipeline/own_detector.py": "the command line",
    "pipeline/own_plan.py": "the command line",
    "pipeline/own_trial.py": "the command line",
    "pipeline/season.py": "the command line",
    "store/season_off.py": "the command line",
    "store/traces.py": "SQL",
    "store/move.py": "the command line",
    "pipeline/outlines_in.py": "the command line",
    "outlines_coco_in.py": "the command line",
    "report/outlines.py": "the command line",
    "drawings.py": "drawings without words",
    "cli.py": "the command line",
    "cluster": "work on a cluster, asked for on the command line",
    "commands": "the command line",
    "console.py": "the command line",
    "serve.py": "starts the app from the command line",
    "outlines_coco.py": "words of a data format",
    "fruit/calibration.py": "checks of a card's numbers: a fault of the program",
    "fruit/edge.py": "names of what the edge finder weighs",
    "fruit/card_table.py": "checks of a card's form, of detectors that somebody makes",
}
# Modules of which pages show the errors only: their other words are in files that are handed on or
# printed, or what the command line says.
ERRORS_ONLY = {
    "archive/make.py",
    "export/calendar_ics.py",
    "export/calendar_pdf.py",
    "export/details.py",
    "export/fruit_table.py",
    "export/geojson.py",
    "export/document.py",
    "export/sheet_grid.py",
    "export/sheet_layout.py",
    "export/sheet_lines.py",
    "export/sheet_pdf.py",
    "export/sheet_table.py",
    "export/sheet_words.py",
    "export/sheet_workbook.py",
    "export/sheets.py",
    "sheet/stage.py",
    "pipeline/sheet.py",
    "export/tables.py",
    "export/words.py",
    "export/workbook.py",
    "report/blocks.py",
    "report/forecast.py",
    "report/harvest.py",
    "report/harvest_margins.py",
    "report/harvest_stock.py",
    "report/harvest_update.py",
    "report/orders.py",
    "report/score.py",
    "report/papers.py",
    "report/thinning.py",
    "report/worth.py",
    "report/views.py",
    "report/walk.py",
    "report/words.py",
    "caliper_plot.py",
    "marker_sheet.py",
    "printed_ruler.py",
    "lens/sheet.py",
    "walk_list.py",
    "overlay.py",
    "fruit/classical.py",
    "fruit/model_card.py",
    "store/database.py",
    "__init__.py",
    "unit_system.py",
    "attention_heights.py",
    "store/place.py",
    "store/postgresql.py",
}
# Names of what is kept, and values that pages say in words of their own.
NOT_SHOWN = {
    "record of {name}",
    "score of {block_id} {season}",
    "walks of {name}",
    "fruit of {name}",
    "sizes of {name}",
    "estimate of {name}",
    "growth of {name}",
    "picker pace",
    "pass share of",
    "pass share",
    "bin fill",
    "to come",
    "under way",
    "on target",
    "can't tell yet",
    "with care",
    "first look",
}
# What a programmer did wrong is never shown.
_FAULTS = {"ValueError", "TypeError", "RuntimeError", "KeyError", "AttributeError", "ImportError"}
_WORDS = re.compile(r"[A-Za-z]{2,}[,;:]? [a-z±]{1,}")


# Between items of a list.
_JOINERS = {"and in"}


def catalogue(root: Path = ROOT) -> dict[str, list[str]]:
    """Every template that a page can show, with the files and lines where it is made."""
    found: dict[str, list[str]] = {}
    for path in sorted(root.rglob("*.py")):
        name = path.relative_to(root).as_posix()
        if name in NO_PAGE or any(part in NO_PAGE for part in name.split("/")):
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for line, template in _templates(tree, errors_only=name in ERRORS_ONLY):
            found.setdefault(template, []).append(f"{name}:{line}")
    return found


def _templates(tree: ast.Module, *, errors_only: bool) -> Iterator[tuple[int, str]]:
    for node, in_error in _literals(tree, in_error=False):
        template = template_of(node).strip()
        if (in_error or not errors_only) and is_sentence(template):
            yield node.lineno, template


def _literals(node: ast.AST, *, in_error: bool) -> Iterator[tuple[ast.expr, bool]]:
    """The outermost strings below a node, and whether they are part of an error or a refusal."""
    if isinstance(node, ast.Constant | ast.JoinedStr):
        if isinstance(node, ast.JoinedStr) or isinstance(node.value, str):
            yield node, in_error
        if isinstance(node, ast.JoinedStr):
            for part in node.values:
                if isinstance(part, ast.FormattedValue):
                    yield from _literals(part.value, in_error=in_error)
        return
    if isinstance(node, ast.Call):
        called = node.func.attr if isinstance(node.func, ast.Attribute) else ""
        called = node.func.id if isinstance(node.func, ast.Name) else called
        if called in _FAULTS:
            return
        in_error = in_error or called.endswith(("Error", "Refused", "RefusedRow", "Unknown"))
        in_error = in_error or called in {
            "PhotoUnreadable", "LensNotCalibrated", "DetectorDamaged", "did_you_mean"
        }  # fmt: skip
    body = getattr(node, "body", None)
    for child in ast.iter_child_nodes(node):
        is_docstring = (
            isinstance(child, ast.Expr)
            and isinstance(child.value, ast.Constant)
            and isinstance(body, list)
        )
        if not is_docstring:
            yield from _literals(child, in_error=in_error)


def template_of(node: ast.expr) -> str:
    """The template of a string or an f-string: its text with a name in the place of each value."""
    if isinstance(node, ast.Constant):
        return _named(str(node.value))
    parts: list[str] = []
    used: set[str] = set()
    for part in getattr(node, "values", ()):
        if isinstance(part, ast.Constant):
            parts.append(str(part.value))
        elif isinstance(part, ast.FormattedValue):
            name = _name(part.value)
            numbered = (f"{name}{n}" for n in range(2, 10))
            name = name if name not in used else next(one for one in numbered if one not in used)
            used.add(name)
            parts.append(f"{{{name}}}")
    return _named("".join(parts))


def _named(text: str) -> str:
    """An open place that `str.format` fills later has the name `more`."""
    return text.replace("{}", "{more}")


def _name(value: ast.expr) -> str:
    """The last name of an expression: `folder` of `store.folder`, `walk` of `len(walk)`."""
    while not isinstance(value, ast.Name | ast.Attribute):
        inner = _inner(value)
        if inner is None:
            return "value"
        value = inner
    name = value.id if isinstance(value, ast.Name) else value.attr
    return name.lower().strip("_")


def _inner(value: ast.expr) -> ast.expr | None:
    """The part of an expression that says best what it is about."""
    if isinstance(value, ast.Call):
        owner = value.func.value if isinstance(value.func, ast.Attribute) else value.func
        return value.args[0] if value.args else owner
    if isinstance(value, ast.BinOp):
        return value.right if isinstance(value.left, ast.Constant) else value.left
    if isinstance(value, ast.GeneratorExp | ast.ListComp):
        return value.generators[0].iter
    if isinstance(value, ast.BoolOp):
        return value.values[0]
    inner: ast.expr | None = getattr(
        value, "body" if isinstance(value, ast.IfExp) else "value", None
    )
    return inner if isinstance(inner, ast.expr) else None


def is_sentence(template: str) -> bool:
    """Whether people read it: two words in a row, or a full stop after letters."""
    bare = re.sub(r"\{\w*\}", "9", template)
    if (
        template in _JOINERS | NOT_SHOWN
        or bare.startswith(("SELECT ", "PRAGMA ", "<"))
        or not re.search("[A-Za-z]{2}", bare)
    ):
        return False
    return bool(_WORDS.search(bare)) or (bare.endswith(".") and len(bare) > 4)


if __name__ == "__main__":
    from app.wording import texts

    known = texts(sys.argv[1], "library") if sys.argv[1:] else {}
    for text, lines in catalogue().items():
        if text not in known:
            sys.stdout.write(f"{text!r}  # {', '.join(lines)}\n")
