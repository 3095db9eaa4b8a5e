"""The notebooks run, and what their text claims is what their code found."""

import re
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

NOTEBOOKS = Path(__file__).resolve().parents[2] / "samples" / "notebooks"
NAMES = sorted(path.stem for path in NOTEBOOKS.glob("*.ipynb"))
TIMEOUT_S = 120


def read(name):
    return nbformat.read(NOTEBOOKS / f"{name}.ipynb", as_version=4)


@pytest.fixture
def run(tmp_path, monkeypatch):
    """Return a function that executes a notebook, by its name, as in its own folder."""
    # a kernel leaves no files in the home folder, and reads no settings there
    for variable in ("JUPYTER_RUNTIME_DIR", "JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "IPYTHONDIR"):
        monkeypatch.setenv(variable, str(tmp_path / variable.lower()))

    def execute(name):
        notebook = read(name)
        folder = {"metadata": {"path": str(NOTEBOOKS)}}
        NotebookClient(notebook, timeout=TIMEOUT_S, kernel_name="python3", resources=folder).execute()
        assert_plain(notebook)
        return notebook

    return execute


def code_of(notebook):
    return [cell for cell in notebook.cells if cell.cell_type == "code"]


def assert_plain(notebook):
    """No cell warned; each that draws shows its picture, not the first one alone."""
    for cell in code_of(notebook):
        streams = [output.name for output in cell.outputs if output.output_type == "stream"]
        assert "stderr" not in streams, cell.outputs
        pictures = [output for output in cell.outputs if "image/png" in output.get("data", {})]
        drawn = cell.source.count(".plot(")
        # a cell may draw in a loop
        assert len(pictures) >= drawn if drawn else not pictures, cell.source


def cell_of(notebook, tag):
    (cell,) = (cell for cell in notebook.cells if tag in cell.metadata.get("tags", []))
    return cell


def said(notebook, tag):
    """Return what a cell printed."""
    outputs = cell_of(notebook, tag).outputs
    return "".join(output.text for output in outputs if output.output_type == "stream")


def number(pattern, text):
    (found,) = re.findall(pattern, text)
    return float(found)


def test_a_noisy_machine_is_traced_to_imbalance(run):
    notebook = run("noisy_machine")
    # "No check complains"
    assert number(r"(\d+) of them not good", said(notebook, "fitness")) == 0
    # "One dark column at order 1; all else is faint"
    assert number(r"Order 1 is (\d+) times", said(notebook, "orders")) > 10
    # "beyond its limit at full speed as well", and the quiet one is within it at every speed
    table = said(notebook, "full-speed")
    assert number(r"rear of number 18 is at ([\d.]+) x the limit", table) > 1
    limit = number(r"the limit is ([\d.]+)", table)
    quiet = re.findall(r"number 17, quiet, \w+ +([\d.]+) +([\d.]+)", table)
    assert len(quiet) == 2
    assert all(float(value) < limit for row in quiet for value in row)
    # "no part comes near one half"
    bearings = re.findall(r"bearing .*: ([\d.]+) %", said(notebook, "bearing"))
    assert len(bearings) == 8
    assert max(map(float, bearings)) < 25
    # "Reject, and the cause is imbalance", measured the one, probable the other
    conclusion = cell_of(notebook, "conclusion").source
    assert conclusion.startswith("**Reject, and the cause is imbalance.**")
    verdict = said(notebook, "verdict")
    first = re.search(r"^(\w+) .*\n\n(\d+) % sure +(\w+) at", verdict, re.MULTILINE)
    assert first is not None
    assert first[1] == "REJECT"
    assert 50 <= int(first[2]) < 90, "likely, not certain"
    assert first[3] == "imbalance"
    # "A stated limit is exceeded by far more than the measurement can err"
    levels = re.findall(
        r"([\d.]+) mm/s rms, give or take (\d+)%; limit ([\d.]+)", said(notebook, "unknown")
    )
    assert levels
    assert all(float(at) * (1 - 0.03 * float(error)) > float(most) for at, error, most in levels)
    # "a bent shaft ... sensors on the casing cannot part the two"; the resonance is why it is not surer
    unknown = said(notebook, "unknown")
    assert re.search("bent shaft: .*without a shaft displacement channel", unknown)
    assert "a resonance makes a small imbalance look large" in unknown
    assert said(notebook, "truth").startswith("in truth: imbalance, ")


def test_a_run_up_is_read(run):
    notebook = run("reading_a_run_up")
    assert "0 pulses lost, 0 too many" in said(notebook, "speed")
    # "Order 1 ... The other strong one is the passing of the blades"
    orders = said(notebook, "orders")
    assert number(r"strongest orders are 1 and (\d+)", orders) == number(r"has (\d+) blades", orders)
    assert "the passing of the\nblades" in cell_of(notebook, "orders-read").source
    # a critical speed well below full speed, read to within a percent of the truth
    told = said(notebook, "critical")
    assert number(r"its peak lies ([\d.]+) ± [\d.]+ % below the operating speed", told) > 20
    assert re.search(r"separation margin of [\d.]+ % is asked for .*: met", told)
    # "a fast passage shifts the peak; the fit knows that": the truth lies within three stated errors
    at, stated = re.search(r"at ([\d ]+) ± ([\d ]+) rpm", told).groups()
    true = number(r"true (\d+) rpm", said(notebook, "worth"))
    assert abs(float(at.replace(" ", "")) - true) < 3 * float(stated.replace(" ", ""))
    worth = said(notebook, "worth")
    assert number(r"rpm: ([\d.]+) % apart", worth) < 1
    assert number(r"read ([\d.]+) % off", worth) < 1
    # "For most purposes that is as good as the pulse", but the slow part and the phase are lost
    bare = said(notebook, "no-pulse")
    assert "source: estimated" in bare
    assert number(r"([\d.]+) % off in the middle", bare) < 0.05
    assert number(r"([\d.]+) % at worst", bare) < 0.5
    slowest, begins = re.search(r"from (\d+) rpm; the pulse begins at (\d+) rpm", bare).groups()
    assert float(slowest) > 1.2 * float(begins)
    lost = said(notebook, "lost")
    assert "verdict: no_verdict" in lost
    assert number(r"critical speed: (\d+) %", lost) < 50
    assert "phase counts from a stated edge: False" in lost
    # "The speed is found. A verdict is not"
    phone = said(notebook, "phone")
    assert number(r"([\d.]+) % off in the middle", phone) < 0.05
    assert "verdict: no_verdict, nothing found, which is no release: sound alone" in phone
    # "From noise without lines quietspin refuses one"
    assert said(notebook, "refused").startswith("refused: ")


def test_twenty_are_screened(run):
    notebook = run("screening_twenty")
    screened = said(notebook, "screened")
    assert screened.startswith("20 recordings in ")
    # each kind that the text explains is there
    for verdict in ("reject", "investigate", "unreadable", "no_verdict", "accept"):
        assert verdict in screened
    # two are beyond a limit and one is loose; one is to be investigated
    assert number(r"'reject': (\d+)", screened) == 3
    assert number(r"'investigate': (\d+)", screened) == 1
    # the outlier is kept apart by comparison alone
    odd = re.fullmatch(
        r"(\d+): accepted at ([\d.]+) x its limit, but ([\d.]+) x .*\n", said(notebook, "unlike")
    )
    assert odd is not None, "one stands apart, and only one"
    assert float(odd[2]) < 1 < 2 < float(odd[3])
    # "The upper picture has a line at order 2.63, the lower one has none"
    compared = said(notebook, "compared")
    assert number(r"Order 2.63 is (\d+) times", compared) > 20
    assert f"as strong in {odd[1]} as in" in compared
    # what the text says: a rub missed, a bent shaft called imbalance, no good one called bad
    true = said(notebook, "truth")
    assert re.search(
        rf"^{odd[1]} +said: accept, stands apart +true: a pump on the same frame$", true, re.MULTILINE
    )
    assert re.search(r"said: reject: imbalance +true: bent_shaft$", true, re.MULTILINE)
    assert re.search(r"said: reject: imbalance +true: imbalance$", true, re.MULTILINE)
    assert re.search(r"said: investigate: bearing outer race +true: bearing_outer$", true, re.MULTILINE)
    assert re.search(r"said: reject: looseness +true: looseness$", true, re.MULTILINE)
    assert re.search(r"^209 +said: accept +true: rub$", true, re.MULTILINE)
    missed = re.search(r"^missed: (.*); good ones called bad: (.*)$", true, re.MULTILINE)
    assert missed[1] == "209"
    assert missed[2] == "none"
    assert "the same as before: True" in said(notebook, "again")


def test_the_notebooks_are_the_three_that_are_tested():
    assert NAMES == ["noisy_machine", "reading_a_run_up", "screening_twenty"]


@pytest.mark.parametrize("name", NAMES)
def test_a_notebook_is_kept_without_what_it_printed(name):
    notebook = read(name)
    nbformat.validate(notebook)
    assert notebook.metadata.kernelspec.name == "python3"
    for cell in code_of(notebook):
        assert (cell.outputs, cell.execution_count) == ([], None), cell.source


@pytest.mark.parametrize("name", NAMES)
def test_a_notebook_warns_and_says_what_is_invented(name):
    first, *_, last = read(name).cells
    assert "it is no protection system" in first.source
    assert "only inside rated containment" in " ".join(first.source.split())
    assert "are invented" in first.source
    assert "Next, at the bench" in last.source
