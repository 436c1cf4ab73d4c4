"""What the package promises: public names, the error tree, doubts in words, commands with help."""

import pickle
import re
import subprocess
import sys
from pathlib import Path

import pytest
from typer.main import get_command
from typer.testing import CliRunner

import fruitvision
from fruitvision import errors
from fruitvision.cli import cli
from fruitvision.domain import Doubt, Estimate, merge_doubts

README = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
COMMANDS = sorted(get_command(cli).commands)  # type: ignore[attr-defined]


@pytest.mark.parametrize("name", fruitvision.__all__)
def test_public_names_are_there(name: str) -> None:
    assert getattr(fruitvision, name) is not None


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = fruitvision.nothing


def test_the_drawn_error_tree_is_the_real_one() -> None:
    drawn = re.findall(r"[├└]── (\w+)", errors.__doc__ or "")
    real = [
        name
        for name, kind in vars(errors).items()
        if isinstance(kind, type)
        and issubclass(kind, errors.FruitVisionError)
        and kind is not errors.FruitVisionError
    ]
    assert sorted(drawn) == sorted(real)


def test_an_error_crosses_a_process_boundary() -> None:
    error = errors.PhotoUnreadable("It is empty.", fix="Copy it again.")
    again = pickle.loads(pickle.dumps(error))  # noqa: S301
    assert (type(again), again.what, again.fix) == (type(error), error.what, error.fix)


@pytest.mark.parametrize("doubt", Doubt)
def test_every_doubt_has_a_sentence(doubt: Doubt) -> None:
    assert doubt.words.endswith(".")
    assert len(doubt.words) > 15


def test_doubts_are_merged_in_one_order() -> None:
    merged = merge_doubts((Doubt.FEW_TREES, Doubt.BLURRED), (Doubt.BLURRED,))
    assert merged == (Doubt.BLURRED, Doubt.FEW_TREES)


def test_an_estimate_is_in_order() -> None:
    with pytest.raises(ValueError, match="p10 <= p50 <= p90"):
        Estimate(2.0, 1.0, 3.0)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_an_example(command: str) -> None:
    result = CliRunner().invoke(cli, [command, "--help"])
    assert result.exit_code == 0
    assert f"Example: fruitvision {command}" in " ".join(result.stdout.split())


def test_the_commands_of_the_readme_exist() -> None:
    commands = set(re.findall(r"(?:^|`|&& )fruitvision (\w+)", README, re.MULTILINE))
    assert commands
    assert commands <= set(COMMANDS)
    assert {"demo", "marker", "measure", "block", "forecast", "export", "app", "models"} <= set(
        COMMANDS
    )


def test_the_python_example_of_the_readme_uses_public_names() -> None:
    used = set(re.findall(r"fruitvision\.(\w+)\(", README))
    assert used
    assert used <= set(fruitvision.__all__)


def test_a_command_that_needs_no_heavy_library_loads_none() -> None:
    heavy = (
        "PIL argon2 cv2 dask distributed fsspec icalendar limits onnxruntime pyarrow reportlab "
        "scipy skimage sqlalchemy streamlit svglib torch xlsxwriter"
    )
    script = "import sys, fruitvision.cli; print(*sys.modules)"
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert not set(heavy.split()) & set(done.stdout.split())


def test_measuring_photos_loads_no_forecast() -> None:
    script = (
        "import sys, fruitvision.pipeline.photos, fruitvision.report.words;"
        "from fruitvision.export import write_fruit_csv; print(*sys.modules)"
    )
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    heavy = "alembic fruitvision.forecast.draw fruitvision.pipeline.forecast pygments scipy"
    assert not set(heavy.split()) & set(done.stdout.split())
