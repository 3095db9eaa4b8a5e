"""Every open recording through the estimator of speed without pulses, against the stated speed.

Each is read uninformed, and told the speed within 30 %, from its clearest channel, as `Recording.speed`
takes it. `jet_spoolup_a` is held against the ridge that its facts give (the tone at order 17). A refusal
is no error, and is counted apart; a speed more than 1 % off is wrong. Sources of the recordings: see
`open_data.py`. Read from the folder that QUIETSPIN_DATA names.
"""

import json
import os
import sys
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import quietspin as qs

WRONG_PERCENT = 1.0
RANGE = (0.7, 1.3)
# order of the tone whose ridge is given: two rows of 17 and 18 blades are heard
RIDGE_ORDER = 17


@dataclass
class Row:
    """One recording, read in one way."""

    record: str
    way: str
    stated_rpm: float
    found_rpm: float | None
    off_percent: float | None
    error_percent: float | None
    reason: str


def recording(wav: Path) -> tuple[qs.Recording, dict]:
    """Read a recording with nothing known but whether it is sound, and its facts."""
    facts = json.loads(wav.with_suffix(".json").read_text())
    role = "sound" if wav.parent.name == "sound" else "vibration"
    lines = ["format = 1"]
    for number, _ in enumerate(facts["channels"], start=1):
        lines += [f"[channel.ch{number}]", f"number = {number}", f'role = "{role}"']
    machine = qs.machine_from_text("\n".join(lines) + "\n")
    return qs.read(wav, machine=machine), facts


def stated(wav: Path, rec: qs.Recording, rpm: float) -> list[Row]:
    """Read against the speed that the source states, uninformed and within a range."""
    rows = []
    told = (RANGE[0] * rpm, RANGE[1] * rpm)
    for way, range_rpm in (("uninformed", None), ("within 30 %", told)):
        try:
            speed = rec.speed(range_rpm=range_rpm)
        except ValueError as refused:
            rows.append(Row(wav.stem, way, rpm, None, None, None, str(refused)))
            continue
        middle_s = 0.5 * (speed.time_s[0] + speed.time_s[-1])
        found = float(speed.rpm_at(np.array([middle_s]))[0])
        off = 100 * (found / rpm - 1)
        rows.append(Row(wav.stem, way, rpm, found, off, speed.error_percent, ""))
    return rows


def along_ridge(wav: Path, rec: qs.Recording, ridge: list[list[float]]) -> list[Row]:
    """Read against the ridge of a tone: the largest distance counts."""
    time_s, tone_hz = np.array(ridge).T
    rpm = 60 * tone_hz / RIDGE_ORDER
    middle = float(np.median(rpm))
    try:
        speed = rec.speed()
    except ValueError as refused:
        return [Row(wav.stem, "along its ridge", middle, None, None, None, str(refused))]
    off = 100 * (speed.rpm_at(time_s) / rpm - 1)
    worst = int(np.argmax(np.abs(off)))
    found = float(np.median(speed.rpm_at(time_s)))
    error = speed.error_percent
    return [Row(wav.stem, "along its ridge", middle, found, float(off[worst]), error, "")]


def rows_of(wav: Path) -> list[Row]:
    """All ways to read one recording; none where nobody states its speed."""
    rec, facts = recording(wav)
    ridge = facts.get("truth", {}).get("ridge_t_s_hz")
    if ridge:
        return along_ridge(wav, rec, ridge)
    rpm = facts.get("rpm")
    return stated(wav, rec, float(rpm)) if isinstance(rpm, (int, float)) else []


def is_wrong(row: Row) -> bool:
    """Whether a speed was given that is none."""
    return row.off_percent is not None and abs(row.off_percent) > WRONG_PERCENT


def totals(rows: list[Row]) -> dict[str, dict[str, int]]:
    """Count answers, refusals and wrong speeds for each way."""
    result = {}
    for way in dict.fromkeys(row.way for row in rows):
        own = [row for row in rows if row.way == way]
        given = [row for row in own if row.found_rpm is not None]
        result[way] = {
            "recordings": len(own),
            "given": len(given),
            "right": sum(not is_wrong(row) for row in given),
            "wrong": sum(is_wrong(row) for row in given),
            "refused": len(own) - len(given),
        }
    return result


def line(row: Row) -> str:
    """One line of the table."""
    if row.found_rpm is None:
        return f"| {row.record} | {row.way} | {row.stated_rpm:.0f} | | | | {row.reason} |"
    return (
        f"| {row.record} | {row.way} | {row.stated_rpm:.0f} | {row.found_rpm:.1f} "
        f"| {row.off_percent:+.2f} | {row.error_percent:.3f} | |"
    )


def main() -> None:
    """Print the table, the totals and the line of figures."""
    folder = os.environ.get("QUIETSPIN_DATA")
    if not folder:
        sys.exit("QUIETSPIN_DATA is not set: name the folder of open recordings in it")
    wavs = sorted(Path(folder).glob("*/*.wav"))
    if not wavs:
        sys.exit(f"QUIETSPIN_DATA names {folder}, which holds no recordings")
    rows = [row for wav in wavs for row in rows_of(wav)]
    print("| record | way | stated rpm | found rpm | off, % | stated error, % | refused because |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for row in rows:
        print(line(row))
    summary = totals(rows)
    print(json.dumps(summary, indent=1))
    table = [{k: v for k, v in asdict(row).items() if v not in (None, "")} for row in rows]
    print("FIGURES", json.dumps({"totals": summary, "rows": table}))
    sys.exit(any(is_wrong(row) for row in rows if row.way != "within 30 %"))


if __name__ == "__main__":
    main()
