"""The guide and the README do what they say: their commands run, and print what the page shows.

Of a page in samples/guide, in order:

- ``console`` blocks run line by line, with the real command. Exit status 0 is expected, or what a
  comment behind the command says (``# exit status 3``). Shown lines must be printed, whole and in this
  order; ``...`` stands for lines that are left out; where nothing is shown nothing is asked.
- ``toml`` blocks are saved under the name in their first line.
- ``python`` blocks run as programs; a ``text`` block after one is its output, as above.
- ``rust`` blocks must stand in the source file that their first line names.
- ``sh`` blocks build the source or take long: they are not run.
"""

import os
import re
import shutil
import subprocess
import sys
import sysconfig
import wave
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[2]
GUIDE = ROOT / "samples" / "guide"
PAGES = sorted(GUIDE.glob("*.md"))
LANGUAGES = {"console", "toml", "python", "text", "rust", "sh"}
STATUS = re.compile(r"#.*\bexit status (\d)")
LINK = re.compile(r"\]\(([^)#]+)(?:#[^)]*)?\)")


@dataclass
class Block:
    """A fenced block of a page."""

    language: str
    lines: list[str]
    line: int


def blocks_of(text: str) -> list[Block]:
    blocks: list[Block] = []
    inside = False
    for number, line in enumerate(text.splitlines(), start=1):
        if line.startswith("```"):
            inside = not inside
            if inside:
                blocks.append(Block(line[3:], [], number))
        elif inside:
            blocks[-1].lines.append(line)
    assert not inside, "a fence is not closed"
    return blocks


def commands_of(block: Block) -> list[tuple[str, list[str]]]:
    """Return the commands of a console block, each with the lines shown below it."""
    commands: list[tuple[str, list[str]]] = []
    for line in block.lines:
        if line.startswith("$ "):
            commands.append((line[2:], []))
        else:
            assert commands, f"line {block.line}: output before a command"
            commands[-1][1].append(line)
    return commands


def missing_line(shown: list[str], printed: str) -> str | None:
    """Return the first line shown that is not printed where it should be.

    Lines that follow each other on the page do so in print, unless ``...`` stands between them; the
    first line shown is the first printed, and after the last one nothing more may come.
    """
    lines = [line.rstrip() for line in printed.splitlines()]
    at, gap = 0, False
    for line in shown:
        if line == "...":
            gap = True
            continue
        if gap:
            while at < len(lines) and lines[at] != line:
                at += 1
        if at >= len(lines) or lines[at] != line:
            return line
        at, gap = at + 1, False
    if shown and not gap and at < len(lines):
        return f"(the end: {lines[at]!r} is printed after it)"
    return None


def environment() -> dict[str, str]:
    """Return what a command sees: this environment's ``quietspin`` first, no terminal, no screen."""
    scripts = sysconfig.get_path("scripts")
    kept = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "NO_COLOR")}
    return kept | {
        "PATH": os.pathsep.join([scripts, kept.get("PATH", "")]),
        "MPLBACKEND": "Agg",
        "PYTHONWARNINGS": "error",
        "PYTHONIOENCODING": "utf-8",
    }


def ran(arguments: list[str], folder: Path) -> tuple[int, str]:
    done = subprocess.run(
        arguments,
        cwd=folder,
        env=environment(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding="utf-8",
        timeout=120,
        check=False,
    )
    return done.returncode, done.stdout


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder in which the samples are at hand, as in the root of the project."""
    for part in ("balance", "recordings"):
        shutil.copytree(ROOT / "samples" / part, tmp_path / "samples" / part)
    return tmp_path


def run_console(block: Block, folder: Path) -> None:
    for command, shown in commands_of(block):
        stated = STATUS.search(command)
        status, printed = ran(["bash", "-c", command], folder)
        place = f"line {block.line}, {command!r}, printed:\n{printed}"
        assert status == (int(stated[1]) if stated else 0), f"exit status {status}: {place}"
        assert missing_line(shown, printed) is None, f"{missing_line(shown, printed)!r}: {place}"


def run_python(block: Block, folder: Path) -> str:
    status, printed = ran([sys.executable, "-c", "\n".join(block.lines)], folder)
    assert status == 0, f"line {block.line}: exit status {status}, printed:\n{printed}"
    return printed


def save_toml(block: Block, folder: Path) -> None:
    name = re.fullmatch(r"# (\w+\.toml)", block.lines[0])
    assert name is not None, f"line {block.line}: the first line names no file"
    (folder / name[1]).write_text("\n".join(block.lines) + "\n", encoding="utf-8")


def find_rust(block: Block) -> None:
    name = block.lines[0].removeprefix("// ")
    source = (ROOT / name).read_text(encoding="utf-8")
    for part in re.split(r"\n *\.\.\.\n", "\n".join(block.lines[1:])):
        assert part in source, f"line {block.line}: this no longer stands in {name}:\n{part}"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_a_page_does_what_it_says(page, folder):
    printed = None
    for block in blocks_of(page.read_text(encoding="utf-8")):
        assert block.language in LANGUAGES, f"line {block.line}: {block.language!r} is no known language"
        if block.language == "text":
            assert printed is not None, f"line {block.line}: output of nothing"
            assert missing_line(block.lines, printed) is None, f"line {block.line}, printed:\n{printed}"
        printed = None
        if block.language == "console":
            run_console(block, folder)
        elif block.language == "toml":
            save_toml(block, folder)
        elif block.language == "python":
            printed = run_python(block, folder)
        elif block.language == "rust":
            find_rust(block)


def test_the_guide_has_a_page_for_each_task():
    tasks = {"quick_check", "noisy_machine", "screen_an_archive", "write_a_machine_file"}
    tasks |= {"add_a_signature", "balance_a_rotor", "run_up_pictures", "follow_orders"}
    assert {page.stem for page in PAGES} == tasks
    for page in PAGES:
        blocks = blocks_of(page.read_text(encoding="utf-8"))
        assert any(block.language in ("console", "python") for block in blocks), page.stem


@pytest.mark.parametrize("page", [*PAGES, ROOT / "README.md"], ids=lambda page: page.stem)
def test_links_lead_somewhere(page):
    for link in LINK.findall(page.read_text(encoding="utf-8")):
        assert (page.parent / link).exists(), link


# README commands that build, install or test the project: other checks run them
BUILDING = ("cargo ", "pip ", "python3 -m venv ", ". ~/", "tests/run")


def write_taps(path):
    """Eight taps, half a second apart, on a casing that rings at 700 Hz."""
    rate_hz = 25_600
    time_s = np.arange(rate_hz // 2) / rate_hz
    ring = np.exp(-90 * time_s) * np.sin(2 * np.pi * 700 * time_s)
    noise = np.random.default_rng(5).standard_normal(9 * time_s.size)
    signal = np.concatenate([0 * time_s, *([ring] * 8)]) + 1e-3 * noise
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate_hz)
        file.writeframes((20_000 * signal).astype("<i2").tobytes())


def test_the_readme_commands_are_understood(folder):
    """The names in the README stand for one's own files; here they are samples.

    The commands must be understood and their files used: any exit status but 2.
    """
    blocks = blocks_of((ROOT / "README.md").read_text(encoding="utf-8"))
    (machine,) = (block for block in blocks if block.language == "toml")
    (folder / "cartridge.toml").write_text("\n".join(machine.lines), encoding="utf-8")
    recordings = folder / "samples" / "recordings"
    for name, sample in {"runup": "bearing", "spin": "bearing", "phone": "microphone"}.items():
        shutil.copy(recordings / f"{sample}.wav", folder / f"{name}.wav")
    write_taps(folder / "taps.wav")
    (folder / "archive").mkdir()
    shutil.copy(recordings / "bearing.wav", folder / "archive" / "cartridge-19_2031-05-05.wav")
    verbs = set()
    consoles = [block for block in blocks if block.language == "console"]
    for command, shown in (line for block in consoles for line in commands_of(block)):
        if command.startswith(BUILDING):
            continue
        assert not shown
        status, printed = ran(["bash", "-c", command], folder)
        assert status in (0, 1, 3), f"{command!r}: exit status {status}, printed:\n{printed}"
        verbs.add(command.split()[1])
    assert verbs == {"balance", "check", "report", "screen", "simulate"}


def test_the_readme_programs_run(folder):
    """All Python of the README, as one program."""
    (folder / "archive").mkdir()
    recording = folder / "samples" / "recordings" / "bearing.wav"
    shutil.copy(recording, folder / "archive" / "cartridge-19_2031-05-05.wav")
    blocks = blocks_of((ROOT / "README.md").read_text(encoding="utf-8"))
    programs = [block for block in blocks if block.language == "python"]
    assert len(programs) == 6
    whole = Block("python", [line for block in programs for line in block.lines], 1)
    assert "REJECT" in run_python(whole, folder)


def test_output_that_is_not_printed_is_noticed():
    printed = "one\ntwo\nthree\n"
    assert missing_line(["one", "...", "three"], printed) is None
    assert missing_line(["...", "two", "..."], printed) is None
    assert missing_line([], printed) is None
    assert missing_line(["one", "three"], printed) == "three"
    assert missing_line(["three", "...", "one"], printed) == "three"
    assert missing_line(["...", "three", "one"], printed) == "one"
    assert missing_line(["one", "two"], printed) is not None
