"""Screens on threads, in processes and on a cluster; journals that a kill does not harm."""

import json
import multiprocessing
import pickle
import shutil
import signal
import subprocess
import sys
import time
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

import matplotlib

matplotlib.use("Agg")
import numpy as np
import pytest
import quietspin as qs
from conftest import SAMPLES
from matplotlib import pyplot
from quietspin import screening

NAMES = ("good", "imbalanced", "misaligned", "bearing", "microphone", "unfit")


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder of the samples with their machine files, and a file that is no recording."""
    folder = tmp_path_factory.mktemp("archive")
    for number, name in enumerate(NAMES, start=1):
        stem = f"cartridge-{number:03}_2026-03-{number:02}"
        shutil.copy(SAMPLES / f"{name}.wav", folder / f"{stem}.wav")
        shutil.copy(SAMPLES / f"{name}.machine.toml", folder / f"{stem}.machine.toml")
    (folder / "noise.wav").write_text("no recording")
    return folder


@pytest.fixture(scope="module")
def screened(archive: Path) -> qs.Screening:
    return qs.screen(archive, name_pattern="cartridge-{serial}_{date}", progress=False)


def test_small_multiples_show_the_worst_first_on_shared_axes(archive):
    recordings = sorted(archive.glob("*.wav"))
    table = qs.screen(recordings, name_pattern="cartridge-{serial}_{date}", progress=False)
    figure = table.figure(most=5)
    panels = [panel for row in figure["rows"] for panel in row["panels"]]
    assert [len(row["panels"]) for row in figure["rows"]] == [3, 2]
    worst = [table.rows[at] for at in table.order[:5]]
    names = [row["serial"] or "noise" for row in worst]
    titles = [p["title"] if p["form"] == "plot" else p["lines"][0]["text"] for p in panels]
    assert titles == [
        f"{name}: {row['verdict'].replace('_', ' ')}" for name, row in zip(names, worst, strict=True)
    ]
    drawn = [panel for panel in panels if panel["form"] == "plot"]
    calibrated = [panel for panel in drawn if panel["y_axis"]["unit"] == "mm/s rms"]
    assert len(calibrated) >= 2
    assert len({str(panel["x_axis"]) for panel in drawn}) == 1
    assert len({str(panel["y_axis"]) for panel in calibrated}) == 1
    # the curve ends as high as the level of the same channel says
    (rejected,) = [row for row in table.rows if row["serial"] == "002"]
    levels = {(level["channel"], level["id"]): level["value"] for level in rejected["levels"]}
    for course in rejected["courses"]:
        assert max(course["order1"]) == pytest.approx(
            levels[course["channel"], "order1_velocity"], rel=0.05
        )
    # the rejected one is told by how far it is beyond its limit
    (told,) = [panel["remark"] for panel in drawn if panel["title"] == "002: reject"]
    assert told == f"{rejected['worst']['ratio']:.1f} x limit"
    axes = table.plot(most=5)
    assert len(axes) == 5
    assert f"; {told}" in axes[worst.index(rejected)].texts[-1].get_text()
    assert axes[0].get_title(loc="left") == titles[0]
    pyplot.close(axes[0].figure)
    with pytest.raises(ValueError, match="5 panels and 1 axes"):
        table.plot(pyplot.figure().subplots(), most=5)
    pyplot.close()
    with pytest.raises(ValueError, match="at least one recording"):
        table.plot(most=0)


def test_what_is_stated_about_all_recordings_goes_over_the_files(tmp_path):
    shutil.copy(SAMPLES / "microphone.wav", tmp_path / "phone.wav")
    journal = tmp_path / "rows.jsonl"
    (row,) = qs.screen(tmp_path, rpm=48_000, rate_hz=24_000, journal=journal, progress=False).rows
    assert (row["speed"]["source"], row["speed"]["max_rpm"]) == ("stated", 48_000)
    at_rate = qs.read(tmp_path / "phone.wav", rate_hz=24_000)
    assert row["duration_s"] == pytest.approx(at_rate.duration_s)
    # another statement is another row
    (row,) = qs.screen(tmp_path, range_rpm=(20_000, 90_000), journal=journal, progress=False).rows
    assert row["speed"] is None or row["speed"]["source"] == "estimated"
    for stated in ({"rpm": -5}, {"rpm": float("nan")}, {"range_rpm": (5, 4)}, {"rate_hz": 0}):
        with pytest.raises(ValueError, match=next(iter(stated)).split("_")[0]):
            qs.screen(tmp_path, **stated)


def verdicts(table: qs.Screening) -> list[str]:
    return [row["verdict"] for row in table.rows]


def test_verdicts_are_those_of_single_recordings(archive, screened):
    assert len(screened) == len(NAMES) + 1
    singles = [
        qs.diagnose(qs.read(path, machine=path.with_suffix(".machine.toml"))).verdict
        for path in sorted(archive.glob("cartridge-*.wav"))
    ]
    assert verdicts(screened) == [*singles, "unreadable"]
    assert {"accept", "investigate", "reject", "no_verdict"} <= set(singles)
    assert sum(screened.counts.values()) == len(screened)
    assert screened.counts["unreadable"] == 1
    assert list(screened.counts) == list(screening.VERDICTS)
    bad = screened.rows[-1]
    assert "noise.wav" in bad["error"]
    assert bad["reason"] == bad["error"]
    assert screened.rows[0]["serial"] == "001"
    assert screened.rows[0]["date"] == "2026-03-01"


def test_columns_hold_one_value_for_each_row(screened):
    columns = screened.columns
    assert all(isinstance(values, np.ndarray) for values in columns.values())
    assert {values.shape for values in columns.values()} == {(len(screened),)}
    assert columns["verdict"].tolist() == verdicts(screened)
    assert columns["serial"][0] == "001"
    assert columns["serial"][-1] is None
    assert columns["size_bytes"].dtype == np.int64
    assert np.isnan(columns["max_rpm"][-1])
    level = "front overall_velocity (mm/s rms)"
    expected = [
        next(
            (
                level["value"]
                for level in row["levels"]
                if (level["channel"], level["id"]) == ("front", "overall_velocity")
            ),
            np.nan,
        )
        for row in screened.rows
    ]
    assert np.isfinite(expected).any()
    np.testing.assert_array_equal(columns[level], expected)


def test_the_worst_come_first(screened):
    order = screened.order
    assert sorted(order) == list(range(len(screened)))
    ranked = [screening.VERDICTS.index(screened.rows[at]["verdict"]) for at in order]
    assert ranked == sorted(ranked)
    assert screened.rows[order[0]]["verdict"] == "reject"
    assert screened.of_median.shape == (len(screened),)
    assert np.isnan(screened.of_median[-1])


def test_pandas_and_polars_take_the_columns(screened):
    frame = screened.to_pandas()
    assert list(frame.columns) == list(screened.columns)
    assert frame["verdict"].value_counts()["unreadable"] == 1
    assert frame["max_rpm"].isna().tolist() == np.isnan(screened.columns["max_rpm"]).tolist()
    polars = screened.to_polars()
    assert polars.columns == list(screened.columns)
    assert polars["serial"].to_list() == screened.columns["serial"].tolist()
    assert polars["max_rpm"].null_count() == np.isnan(screened.columns["max_rpm"]).sum()
    assert str(polars["size_bytes"].dtype) == "Int64"


@pytest.mark.parametrize("package", ["pandas", "polars"])
def test_what_is_not_installed_is_told(screened, package, monkeypatch):
    monkeypatch.setitem(sys.modules, package, None)
    with pytest.raises(ImportError, match=f"to_{package} needs {package}: pip install {package}"):
        getattr(screened, f"to_{package}")()


def test_a_table_is_written_and_replaces_tables_alone(screened, tmp_path):
    path = tmp_path / "table.csv"
    for _ in range(2):
        screened.to_csv(path)
    lines = path.read_text().splitlines()
    assert len(lines) == len(screened) + 1
    assert lines[0].split(",")[:4] == ["path", "serial", "date", "verdict"]
    path.write_text("front\n1\n")
    with pytest.raises(ValueError, match=r"table\.csv: it is there already"):
        screened.to_csv(path)
    assert path.read_text() == "front\n1\n"


def test_it_shows_itself_and_pickles(screened):
    assert repr(screened).startswith(f"<Screening of {len(screened)}: ")
    again = pickle.loads(pickle.dumps(screened))
    assert again.rows == screened.rows
    page = screened._repr_html_()
    assert page.count("<tr>") == len(screened) + 1
    assert "imbalance" in page


def test_markup_in_names_is_escaped(tmp_path):
    (tmp_path / "<img src=x onerror=alert(1)>&.wav").write_text("no recording")
    table = qs.screen(tmp_path, progress=False)
    page = table._repr_html_()
    assert "<img" not in page
    assert "&lt;img src=x onerror=alert(1)&gt;&amp;.wav" in page


def test_patterns_lists_and_machine_files_are_taken(archive):
    first = archive / "cartridge-001_2026-03-01.wav"
    by_pattern = qs.screen(str(archive / "cartridge-00[12]*.wav"), progress=False)
    assert len(by_pattern) == 2
    listed = qs.screen([first, str(first)], machine=qs.machine_from_text("format = 1\n"), progress=False)
    assert len(listed) == 1
    # without limits nothing is accepted
    assert verdicts(listed) != verdicts(by_pattern)[:1]
    path = SAMPLES / "good.machine.toml"
    assert verdicts(qs.screen(first, machine=path, progress=False)) == ["accept"]


def test_what_cannot_be_screened_is_told(tmp_path):
    with pytest.raises(FileNotFoundError, match=r"missing\.wav"):
        qs.screen(tmp_path / "missing.wav")
    with pytest.raises(ValueError, match="no recording is found"):
        qs.screen(tmp_path)
    (tmp_path / "a.wav").write_text("x")
    with pytest.raises(ValueError, match="is not known"):
        qs.screen(tmp_path, name_pattern="{sreial}")
    with pytest.raises(ValueError, match="no journal of a screen"):
        qs.screen(tmp_path, journal=tmp_path / "a.wav")
    with pytest.raises(ValueError, match="this is no job"):
        screening.judge(tmp_path / "a.wav", "{}")
    with pytest.raises(ValueError, match="no row"):
        _ = qs.Screening(["{}"]).columns


def test_a_journal_is_shared_with_the_command(archive, tmp_path):
    journal = tmp_path / "screen.jsonl"
    told: list[tuple[int, int]] = []
    first = qs.screen(archive, journal=journal, progress=lambda done, total: told.append((done, total)))
    assert told == [(done, len(first)) for done in range(1, len(first) + 1)]
    kept = journal.read_text()
    assert kept.count("\n") == len(first)
    done = command(archive, journal, "--json")
    assert json.loads(done.stdout)["judged_now"] == 0
    assert journal.read_text() == kept

    told.clear()
    named = qs.screen(archive, journal=journal, name_pattern="cartridge-{serial}_*", progress=print)
    assert [row["serial"] for row in named.rows][:2] == ["001", "002"]
    assert qs.Screening.read(journal).rows == sorted(named.rows, key=order_in(journal))
    again = qs.screen(archive / "noise.wav", journal=journal, again=True, progress=False)
    assert verdicts(again) == ["unreadable"]


def order_in(journal: Path):
    """Return the key that sorts rows as their paths first come in a journal."""
    paths = [json.loads(line)["path"] for line in journal.read_text().splitlines()]
    return lambda row: paths.index(row["path"])


def command(archive: Path, journal: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run the command, the installed module by itself, to its end."""
    return subprocess.run(
        screen_command(archive, journal, *arguments), capture_output=True, text=True, timeout=120
    )


def screen_command(archive: Path, journal: Path, *arguments: str) -> list[str]:
    start = [sys.executable, "-c", "from quietspin._cli import main; main()"]
    return [*start, "screen", str(archive), "--out", str(journal), *arguments]


@pytest.mark.skipif(sys.platform == "win32", reason="a kill is something else there")
def test_a_command_killed_twice_loses_and_repeats_nothing(archive, screened, tmp_path):
    many = tmp_path / "many"
    many.mkdir()
    for number in range(12):
        shutil.copy(archive / "cartridge-001_2026-03-01.wav", many / f"{number:02}.wav")
    journal = tmp_path / "screen.jsonl"

    def lines() -> int:
        return journal.read_text().count("\n") if journal.exists() else 0

    for wanted in (2, 5):
        process = subprocess.Popen(
            screen_command(many, journal, "--jobs", "2"),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        deadline = time.monotonic() + 60
        while lines() < wanted and time.monotonic() < deadline:
            time.sleep(0.005)
        process.send_signal(signal.SIGKILL)
        assert process.wait() == -signal.SIGKILL, "it was still at work"
        assert wanted <= lines() < 12
    before = journal.read_text()
    # what a kill within a write would leave
    journal.write_text(before[:-30])
    done = command(many, journal, "--json")
    assert done.returncode == 3, done.stderr
    kept = before[:-30].count("\n")
    summary = json.loads(done.stdout)
    assert (summary["judged_before"], summary["judged_now"]) == (kept, 12 - kept)
    rows = [json.loads(line) for line in journal.read_text().splitlines()]
    assert sorted(Path(row["path"]).name for row in rows) == [f"{number:02}.wav" for number in range(12)]
    assert len({row["sha256"] for row in rows}) == 1


def assert_same_rows(table: qs.Screening, expected: qs.Screening) -> None:
    def bare(rows):
        return [{**row, "serial": None, "date": None} for row in rows]

    assert bare(table.rows) == bare(expected.rows)


def judge_nothing_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make sure that it is other processes that judge."""

    def fail(path, job):
        raise AssertionError(f"{path} was judged here")

    monkeypatch.setattr(screening._core, "screen_row", fail)


def test_threads_and_processes_give_the_same_rows(archive, screened, tmp_path, monkeypatch):
    with ThreadPoolExecutor(2) as executor:
        table = qs.screen(archive, executor=executor, progress=False)
        assert_same_rows(table, screened)
        assert executor.submit(len, "still open").result() == 10
    judge_nothing_here(monkeypatch)
    with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("spawn")) as executor:
        table = qs.screen(archive, executor=executor, journal=tmp_path / "j.jsonl", progress=False)
        assert_same_rows(table, screened)
    assert len(qs.Screening.read(tmp_path / "j.jsonl")) == len(screened)


def test_a_cluster_gives_the_same_rows(archive, screened, tmp_path, monkeypatch):
    distributed = pytest.importorskip("distributed", reason="tests/requirements.txt installs it")
    journal = tmp_path / "screen.jsonl"
    judge_nothing_here(monkeypatch)
    with (
        distributed.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            host="127.0.0.1",
            dashboard_address=None,
            local_directory=str(tmp_path),
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        table = qs.screen(archive, executor=client.get_executor(), journal=journal, progress=False)
        assert_same_rows(table, screened)
    assert len(qs.Screening.read(journal)) == len(screened)


class Failing(Executor):
    """Runs what it is given at once, but fails on the second."""

    def __init__(self) -> None:
        self.count = 0

    def submit(self, function, /, *arguments, **options):
        """Run it, or fail."""
        self.count += 1
        future: Future = Future()
        if self.count == 2:
            future.set_exception(RuntimeError("a worker died"))
        else:
            future.set_result(function(*arguments, **options))
        return future


def test_a_worker_that_dies_costs_its_own_row_alone(archive, screened, tmp_path):
    journal = tmp_path / "screen.jsonl"
    with pytest.raises(RuntimeError, match="a worker died"):
        qs.screen(archive, executor=Failing(), journal=journal, progress=False)
    assert len(qs.Screening.read(journal)) == len(screened) - 1
    table = qs.screen(archive, journal=journal, progress=False)
    assert_same_rows(table, screened)
    assert journal.read_text().count("\n") == len(screened)


def test_an_interrupt_keeps_what_is_done(archive, screened, tmp_path):
    journal = tmp_path / "screen.jsonl"

    def interrupt(done: int, total: int) -> None:
        if done == 2:
            raise KeyboardInterrupt

    started = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        qs.screen(archive, journal=journal, progress=interrupt)
    assert len(qs.Screening.read(journal)) == 2
    told: list[int] = []
    table = qs.screen(archive, journal=journal, progress=lambda done, _: told.append(done))
    assert len(told) == len(screened) - 2
    assert_same_rows(table, screened)
    assert time.monotonic() - started < 60


def test_progress_tells_rate_and_time_left(archive, monkeypatch, capsys):
    assert screening._told(10, 40, 5.0) == "10 of 40 recordings, 2.0 a second, 15 s left"
    assert screening._told(1, 3, 120.0) == "1 of 3 recordings, 0.5 a minute, 4 min 0 s left"
    assert screening._told(1, 101, 72.0) == "1 of 101 recordings, 0.8 a minute, 2 h 0 min left"
    # that a notebook's package is imported does not make this one
    monkeypatch.setitem(sys.modules, "ipykernel", sys)
    qs.screen(archive / "noise.wav")
    assert capsys.readouterr().err == "", "nobody watches"
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    qs.screen(archive / "noise.wav")
    assert "1 of 1 recordings" in capsys.readouterr().err


def test_importing_is_light():
    code = (
        "import quietspin, sys; "
        "print([name for name in ('numpy', 'pandas', 'polars', 'concurrent') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
