"""``rehearse``, ``tune`` and ``record`` as their users meet them."""

from __future__ import annotations

import io
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from buildkit import cli
from buildkit.rehearsal import progress, recording, rehearsing, traces
from buildkit.rehearsal.kinds import KINDS
from buildkit.rehearsal.traces import LOG_HEAD
from tests.chip_world import circuit_of, example_text

ROOT = Path(__file__).parent.parent
HOOD = str(ROOT / "examples" / "kitchen-hood.yaml")
REED = str(ROOT / "examples" / "reed-room.yaml")
FAULTY = str(ROOT / "examples" / "faulty" / "pin.taken-twice.yaml")
ROOM = """room: kitchen
hours: 0.5
air:
  smoke:
    volume_m3: 30
    starts_at: 5
    sources: [{from_s: 100, to_s: 400, adds_per_min: 400}]
    loads: {hood: {cleans_m3_per_h: 900}}
"""


def run(*words: str) -> tuple[int, str, str]:
    done = CliRunner().invoke(cli.app, list(words))
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.exit_code, done.stdout, done.stderr


@pytest.fixture
def smoke(tmp_path: Path) -> str:
    """Five minutes of air that is bad from 100 s to 200 s."""
    path = tmp_path / "smoke.csv"
    rows = (f"{t},{40 if 100 <= t < 200 else '' if t == 250 else 5}" for t in range(1, 301))
    path.write_text("t_s,smoke\n" + "\n".join(rows) + "\n", encoding="utf-8")
    return str(path)


# --- rehearse ---------------------------------------------------------------------------


@pytest.mark.slow
def test_rehearse_json_has_the_fields_of_the_contract(smoke: str) -> None:
    code, out, err = run("rehearse", HOOD, "--trace", smoke, "--format", "json")
    assert (code, err) == (0, "")
    told = json.loads(out)
    assert {
        "engine", "seconds", "readings", "lost_readings", "starts", "on_fraction", "changes",
        "display", "longest_loop_ms", "resets",
    } <= set(told)  # fmt: skip
    assert (told["engine"], told["seconds"]) == ("host", 302)
    assert (told["readings"], told["lost_readings"]) == (299, 1)
    # The third 40 makes the average 15.5; 120 s of running on after the ninth 5 in the window.
    assert [(c["load"], c["state"], c["cause"]) for c in told["changes"]] == [
        ("hood", "on", "start")
    ]
    assert told["changes"][0]["t_s"] == pytest.approx(102, abs=0.05)
    assert told["starts"] == 1
    assert told["on_fraction"] == pytest.approx(200 / 302, abs=0.001)
    assert told["display"] == ["PM2.5 5 ug/m3   ", "avg 5 on        "]
    assert (told["resets"], told["reset_causes"]) == (0, [])
    assert told["probes"] == {"smoke": {"span": [5, 40], "lost": 1, "unit": "ug/m3"}}
    assert told["notes"] == []


@pytest.mark.slow
def test_rehearse_in_text_fits_the_terminal_and_draws_a_picture(tmp_path: Path) -> None:
    picture = tmp_path / "mist.svg"
    code, out, err = run("rehearse", REED, "--picture", str(picture), "--fault", "brown-out@300")
    assert (code, err) == (0, "")
    assert max(len(line) for line in out.splitlines() if str(tmp_path) not in line) <= 80
    assert "faults: silent@820+35, brown-out@300" in out
    assert "resets: power at 300.0 s" in out
    assert re.search(r"^ +[0-9.]+  mist  on   start$", out, re.MULTILINE)
    assert re.search(r"^  air: read 38 to 59 %RH, lost [0-9]+$", out, re.MULTILINE)
    assert "|RH 38.0% on     |" in out
    root = ET.parse(picture).getroot()
    texts = ["".join(node.itertext()) for node in root.iter("{http://www.w3.org/2000/svg}text")]
    assert {"air, %RH", "shelf, degC", "mist", "mist start 45 %RH", "mist stop 52 %RH"} <= set(
        texts
    )
    colours = set(
        re.findall(r'(?:fill|stroke)="(#[0-9a-f]+)"', picture.read_text(encoding="utf-8"))
    )
    assert all(len(set(colour[1:])) == 1 for colour in colours), "readable in grey"
    bars = [n for n in root.iter("{http://www.w3.org/2000/svg}rect") if n.get("fill") == "#000"]
    runs = len(re.findall(r"mist  on ", out))
    assert len(bars) == runs >= 3


@pytest.mark.slow
def test_rehearse_in_a_room(tmp_path: Path) -> None:
    path = tmp_path / "room.yaml"
    path.write_text(ROOM, encoding="utf-8")
    code, out, _ = run("rehearse", HOOD, "--room", str(path), "--format", "json")
    assert code == 0
    changes = [(c["state"], c["cause"]) for c in json.loads(out)["changes"]]
    assert changes == [("on", "start"), ("off", "stop")]


@pytest.mark.slow
def test_a_build_that_only_listens_is_rehearsed_too(tmp_path: Path) -> None:
    path = tmp_path / "listen.yaml"
    path.write_text(
        "build: listen\nboard: atmega328p-5v\nsupply: {rail: 5V, max_ma: 500}\n"
        "probes: {a: {part: ntc-divider, value: temperature, every_s: 1}}\n"
        'displays: {p: {part: oled128x64-ssd1306, rows: ["{a}"]}}\n',
        encoding="utf-8",
    )
    code, out, _ = run("rehearse", str(path), "--fault", "silent@50+5")
    assert code == 0
    assert re.search(r"readings [0-9]{3}, lost [0-9]+", out)
    assert "p: what it shows cannot be read back here" in out
    assert run("tune", str(path), "--trace", "x.csv")[0] == 2


WITHOUT_EXTRAS = """
import sys
from importlib.util import find_spec
from buildkit import __main__
from buildkit.rehearsal import compiler
compiler.find_spec = lambda name: None
sys.exit(__main__.main())
"""


def _missing(words: list[str], tmp_path: Path) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-c", WITHOUT_EXTRAS, *words],
        capture_output=True, text=True, check=False, cwd=ROOT,
        env={**os.environ, "PATH": str(tmp_path), "XDG_CACHE_HOME": str(tmp_path)},
    )  # fmt: skip
    return done.returncode, done.stderr


@pytest.mark.parametrize(("engine", "package"), [("host", "g++"), ("chip", "gcc-avr")])
def test_a_missing_toolchain_is_exit_2_and_names_the_packages(
    engine: str, package: str, tmp_path: Path
) -> None:
    code, err = _missing(["rehearse", HOOD, "--engine", engine], tmp_path)
    assert code == 2
    assert "apt-get install" in err
    assert package in err


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["rehearse", FAULTY], 1, "only for a build without errors"),
        (["rehearse", "none.yaml"], 2, "none.yaml is not there"),
        (["rehearse", HOOD, "--trace", "none.csv"], 2, "none.csv: No such file"),
        (["rehearse", HOOD, "--trace", HOOD], 2, "no head of a trace"),
        (["rehearse", HOOD, "--room", "none.yaml"], 2, "none.yaml is not there"),
        (["rehearse", HOOD, "--room", HOOD], 1, "doc.unknown-key"),
        (["rehearse", HOOD, "--trace", "a", "--room", "b"], 2, "not both"),
        (["rehearse", HOOD, "--engine", "moon"], 2, "host or chip"),
        (["rehearse", HOOD, "--format", "yaml"], 2, "text or json"),
        (["rehearse", HOOD, "--fault", "flood@3"], 2, "there is no fault 'flood'"),
        (["rehearse", HOOD, "--fault", "noise@99999"], 2, "after the end: the readings last"),
        (["tune", HOOD], 2, "--trace CSV or --room FILE"),
        (["tune", HOOD, "--trace", HOOD], 2, "no head of a trace"),
        (["record", "--port", "/dev/none", "--into", "x.csv"], 2, "/dev/none cannot be opened"),
    ],
)
def test_what_cannot_run(words: list[str], code: int, said: str) -> None:
    got, _, err = run(*words)
    assert got == code
    assert said in err
    assert "Traceback" not in err


def test_a_trace_without_the_probe_that_switches(tmp_path: Path) -> None:
    path = tmp_path / "shelf.csv"
    path.write_text("t_s,shelf\n1,20\n", encoding="utf-8")
    code, _, err = run("rehearse", REED, "--trace", str(path))
    assert code == 2
    assert "no readings of air" in err


def test_other_boards_are_for_the_host_engine(tmp_path: Path) -> None:
    path = tmp_path / "other.yaml"
    text = example_text("reed-room", "rp2040-stick").replace("5V, max_ma", "VBUS, max_ma")
    path.write_text(text, encoding="utf-8")
    code, out, err = run("rehearse", str(path), "--engine", "chip")
    if code == 2:
        assert "--engine host" in err or "not written yet" in err
    else:  # the build itself does not fit that board
        assert (code, "error" in out) == (1, True)


def test_help_tells_every_fault() -> None:
    code, out, _ = run("rehearse", "--help")
    assert code == 0
    flat = " ".join(out.split())
    for kind, what in KINDS.items():
        assert f"{kind} {what}" in flat
    assert max(map(len, out.splitlines())) <= 80


# --- tune -------------------------------------------------------------------------------


def test_tune_in_text_and_json(smoke: str) -> None:
    code, out, err = run("tune", HOOD, "--trace", smoke)
    assert (code, err) == (0, "")
    assert max(len(line) for line in out.splitlines() if smoke not in line) <= 80
    assert re.search(r"^  now +15 +9 +10 +60 +60 ", out, re.MULTILINE)
    code, out, _ = run("tune", HOOD, "--trace", smoke, "--format", "json")
    assert code == 0
    (load,) = json.loads(out)["loads"]
    assert (load["load"], load["unit"]) == ("hood", "ug/m3")
    assert load["current"]["starts"] == 1
    assert load["current"]["delay_s"] == 2.0
    assert load["current"] in load["settings"]
    assert load["recommended"] in load["settings"]
    assert load["reason"]


# --- progress ---------------------------------------------------------------------------


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_bar_comes_after_two_seconds_on_a_terminal_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    assert progress.PATIENCE_S == 2.0
    monkeypatch.setattr(progress, "PATIENCE_S", 0.05)
    monkeypatch.setattr(progress, "_EVERY_S", 0.02)
    terminal, pipe = _Terminal(), io.StringIO()
    for stream in (terminal, pipe):
        with progress.bar("at work", stream) as tell:
            tell(0.5)
            time.sleep(0.25)
    assert pipe.getvalue() == ""
    assert "at work [###############...............]  50 %" in terminal.getvalue()
    assert terminal.getvalue().endswith(" \r"), "it leaves an empty line"
    quick = _Terminal()
    monkeypatch.setattr(progress, "PATIENCE_S", 60.0)
    with progress.bar("at work", quick):
        pass
    assert quick.getvalue() == ""
    assert "#" in progress.line("x", None, 3.0)
    assert len(progress.line("w" * 99, 0.33, 86_400)) < 80


# --- record -------------------------------------------------------------------------------


class Port:
    """A serial port that can be unplugged: a name that points to a pseudo-terminal."""

    def __init__(self, folder: Path) -> None:
        self.name = folder / "port"
        self.master = -1

    def plug(self) -> None:
        self.master, slave = os.openpty()
        self.name.symlink_to(os.ttyname(slave))
        os.close(slave)

    def unplug(self) -> None:
        self.name.unlink()
        os.close(self.master)

    def send(self, text: str) -> None:
        data = text.encode("ascii")
        while data:
            data = data[os.write(self.master, data[:256]) :]


def _wait(until: Callable[[], bool]) -> None:
    end = time.monotonic() + 20
    while not until():
        assert time.monotonic() < end, "nothing came"
        time.sleep(0.02)


def _recorded(
    port: Port, into: Path, play: Callable[[recording.Recorder, list[str]], None]
) -> recording.Rows:
    """What a recorder in a thread makes of it."""
    said: list[str] = []
    recorder = recording.Recorder(str(port.name), into, said.append, 115_200)
    port.plug()
    thread = threading.Thread(target=recorder.run)
    thread.start()
    try:
        _wait(into.exists)
        time.sleep(0.2)
        play(recorder, said)
    finally:
        recorder.stop.set()
        thread.join(10)
    assert not thread.is_alive()
    return recorder.rows


def _rows(first_s: int, count: int, value: int = 5) -> str:
    return "".join(f"{t}000,smoke,{value},,hood,off\r\n" for t in range(first_s, first_s + count))


def test_record_keeps_whole_rows_over_unplugging(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recording, "_AGAIN_S", 0.1)
    port, into = Port(tmp_path), tmp_path / "log.csv"

    def play(recorder: recording.Recorder, said: list[str]) -> None:
        port.send(f"7000,smo\x00{LOG_HEAD}\r\n0,,,,,reset: power-on\r\n" + _rows(1, 5) + "600")
        _wait(lambda: recorder.rows.rows == 6)
        port.unplug()
        _wait(lambda: any("gone" in text for text in said))
        port.plug()
        _wait(lambda: any("back" in text for text in said))
        time.sleep(0.2)
        # The first line may lack its beginning, so it is left out; the board was not reset.
        port.send("000,smoke,5,,hood,off\r\n" + _rows(20, 3))
        _wait(lambda: recorder.rows.rows == 9)
        # Then it was, unseen: the clock is back at its beginning.
        port.send("boot noise\r\n" + _rows(2, 2, 6))
        _wait(lambda: recorder.rows.rows == 11)

    rows = _recorded(port, into, play)
    assert (rows.rows, rows.resets, rows.strange) == (11, 1, 1)
    trace = traces.read(into, circuit_of(example_text("kitchen-hood", "atmega328p-5v")).build)
    assert [t_s for t_s, _ in trace.readings["smoke"]] == [
        1, 2, 3, 4, 5, 20, 21, 22, 24.001, 25.001,
    ]  # fmt: skip
    assert trace.resets_s == (22.001,)


def test_record_goes_on_with_a_log_and_with_nothing_else(tmp_path: Path) -> None:
    port, into = Port(tmp_path), tmp_path / "log.csv"
    into.write_text(f"{LOG_HEAD}\n1000,smoke,5,,hood,off\n", encoding="ascii")

    def play(recorder: recording.Recorder, _: list[str]) -> None:
        port.send(f"{LOG_HEAD}\r\n{_rows(1, 2)}")
        _wait(lambda: recorder.rows.rows == 2)

    assert _recorded(port, into, play).resets == 1
    assert into.read_text(encoding="ascii").count(LOG_HEAD) == 2
    for text in ("something else\n", f"{LOG_HEAD}\n1000,smo"):
        into.write_text(text, encoding="ascii")
        with pytest.raises(recording.CannotRecord, match="choose another name"):
            recording.Recorder("/dev/none", into, print, 115_200).run()
        assert into.read_text(encoding="ascii") == text


def test_record_without_pyserial_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "serial", None)
    code, _, err = run("record", "--port", "/dev/none", "--into", str(tmp_path / "x.csv"))
    assert code == 2
    assert "pip install 'buildkit[record]'" in err


def test_record_is_ended_by_ctrl_c_and_warns_beforehand(tmp_path: Path) -> None:
    port, into = Port(tmp_path), tmp_path / "log.csv"
    port.plug()
    with subprocess.Popen(
        [sys.executable, "-m", "buildkit", "record", "--port", str(port.name), "--into", str(into)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT,
    ) as process:  # fmt: skip
        _wait(into.exists)
        time.sleep(0.3)
        port.send(f"{LOG_HEAD}\r\n{_rows(1, 3)}")
        _wait(lambda: into.read_text(encoding="ascii").count("smoke") == 3)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=10)
    assert process.returncode == 0
    assert "3 rows, 0 resets" in out
    assert err.startswith("Opening the port resets many boards")


@pytest.mark.slow
def test_record_of_the_chip_engines_log_is_a_trace_of_the_same_readings(tmp_path: Path) -> None:
    circuit = circuit_of(example_text("kitchen-hood", "atmega328p-5v"))
    samples = tuple((float(t), 40 if t > 70 else t % 5) for t in range(1, 121))
    played = traces.Trace("played", {"smoke": samples}, 120.0)
    outcome = rehearsing.rehearse(circuit, "chip", played, (), tmp_path / "made").outcome
    log = outcome.ran.seen.uart_text(0)
    port, into = Port(tmp_path), tmp_path / "log.csv"

    def play(recorder: recording.Recorder, _: list[str]) -> None:
        port.send(log)
        _wait(lambda: recorder.rows.rows == log.count("\n") - 1)

    _recorded(port, into, play)
    assert into.read_text(encoding="ascii") == log.replace("\r\n", "\n")
    trace = traces.read(into, circuit.build)
    assert [steps for _, steps in trace.readings["smoke"]] == [steps for _, steps in samples]
    for (t_s, _), (known_s, _) in zip(trace.readings["smoke"], samples, strict=True):
        assert t_s == pytest.approx(known_s, abs=0.01)
