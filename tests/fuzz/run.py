"""Feed a reader with hostile files, led by what the code does with them. Run by hand, on Linux.

``pip install -e '.[fuzz]'``, then ``python -m tests.fuzz.run --seconds 60`` for every reader, or
``--target jpeg`` for one. What is found lies in tests/fuzz/found/TARGET, and
``tests/test_hostile_files.py`` tries it from then on.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

FOUND = Path(__file__).parent / "found"
# Larger files say nothing new and take longer. Our choice.
LONGEST_BYTES = 8192


def main() -> int:
    """0 if no reader broke."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--target", action="append")
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--inner", help="inner use")
    chosen = parser.parse_args()
    if chosen.inner:
        _fuzz(chosen.inner, chosen.seconds)
        return 0
    from tests.fuzz.targets import TARGETS

    broken = []
    for name in chosen.target or TARGETS:
        command = [sys.executable, "-m", "tests.fuzz.run", "--inner", name]
        done = subprocess.run(  # noqa: S603
            [*command, "--seconds", str(chosen.seconds)],
            capture_output=True,
            text=True,
            check=False,
        )
        tries = [line for line in done.stderr.splitlines() if "stat::number_of_executed" in line]
        told = tries[-1].split(":")[-1].strip() if tries else "?"
        sys.stdout.write(f"{name}: {told} files, {'FOUND' if done.returncode else 'held'}\n")
        sys.stdout.flush()
        if done.returncode:
            broken.append(name)
            sys.stdout.write(_what_broke(done.stderr))
    return 1 if broken else 0


def _what_broke(told: str) -> str:
    """The trace back of what the reader raised, or the end of what was told."""
    lines = told.splitlines()
    begin = next((at for at, line in enumerate(lines) if "Uncaught" in line), len(lines) - 12)
    return "\n".join(line[:200] for line in lines[begin : begin + 20]) + "\n"


def _fuzz(name: str, seconds: int) -> None:
    import atheris

    # What is imported in here tells the fuzzer which of its lines were reached.
    with atheris.instrument_imports(include=["fruitvision"]):
        from tests.fuzz.targets import TARGETS
    target = TARGETS[name]
    found = FOUND / name.replace(" ", "_")
    found.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="fruitvision-corpus-") as folder:
        for number, seed in enumerate(target.seeds()):
            (Path(folder) / f"seed{number}").write_bytes(seed)
        arguments = [f"-max_total_time={seconds}", f"-max_len={LONGEST_BYTES}"]
        arguments += ["-print_final_stats=1", f"-artifact_prefix={found}/", "-timeout=25"]
        atheris.Setup([sys.argv[0], *arguments, folder], target.feed)
        atheris.Fuzz()


if __name__ == "__main__":
    raise SystemExit(main())
