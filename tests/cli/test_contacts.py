"""`cuesync contacts`: simulated contacts that are pressed, and real keys through a pseudo-terminal."""

from __future__ import annotations

import json
import os
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from cuesync.cli import cuesync
from cuesync.devices import opening, ports
from cuesync.devices.opening import NeededSource
from cuesync.devices.simulated import SimulatedClock, SimulatedContacts
from cuesync.devices.simulated_sound import SimulatedAudio, SimulatedMicrophone
from cuesync.errors import DeviceError, InputError


def scene(folder: Path, contact: str, *, name: str = "attic", debounce_ms: int = 30, pop: str = "") -> Path:
    path = folder / f"{name}.toml"
    pop_contact = f'pop_contact = "{pop}"\n' if pop else ""
    path.write_text(
        f'title = "{name}"\n[prop]\ntrigger_to_pop_ms = 500\nreset_s = 5\n{pop_contact}'
        f'[trigger]\ncontact = "{contact}"\ndebounce_ms = {debounce_ms}\n'
        '[[flash]]\nat_ms = 0\nlength_ms = 20\nlight = "midi:36"\n',
        encoding="utf-8",
    )
    return path


class Bench:
    """Simulated contacts in place of the real ones; `at` does something at seconds from the start."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.clock = SimulatedClock()
        self.contacts = SimulatedContacts(self.clock)
        self.microphone = SimulatedMicrophone(SimulatedAudio(self.clock))
        monkeypatch.setattr(ports, "HostClock", lambda: self.clock)
        monkeypatch.setattr(opening, "contact_sources", self._sources)

    def _sources(self, contacts: Iterable[str], *_: object) -> tuple[NeededSource, ...]:
        return (
            NeededSource(
                name="simulated port",
                contacts=tuple(contacts),
                source=self.contacts,
                microphones=self.microphone,
            ),
        )

    def press(self, contact: str, *, times: int = 3, late_s: float = 0.0, bounce_s: float = 0.0) -> None:
        """Hold it for 0.5 s in every second; each change bounces once, for as long as said."""
        for index in range(times):
            for change_s, closed in ((0.5, True), (1.0, False)):
                at_s = self.clock.now_s() + index + change_s + late_s
                self.contacts.edge(contact, closed, at_s)
                if bounce_s:
                    self.contacts.edge(contact, not closed, at_s + bounce_s / 2)
                    self.contacts.edge(contact, closed, at_s + bounce_s)

    def at(self, after_s: float, action: Callable[[], None]) -> None:
        self.clock.at(self.clock.now_s() + after_s, action)

    def ask(self, *arguments: str | Path) -> Result:
        return CliRunner().invoke(cuesync, ["contacts", *map(str, arguments)], catch_exceptions=False)


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Bench:
    return Bench(monkeypatch)


def test_good_contacts_are_proved(bench: Bench, tmp_path: Path) -> None:
    bench.press("midi:60", bounce_s=0.0062)
    bench.press("midi:61", late_s=0.2)
    done = bench.ask("--seconds", "5", scene(tmp_path, "midi:60", pop="midi:61"))
    assert done.exit_code == 0
    assert done.stderr.startswith("Nothing is played and no output moves.")
    assert "fires it: fingers out" in done.stderr
    assert "\x1b" not in done.stdout
    end = (
        "open    midi:60  3 presses  bounce 6.2 ms  debounce 30 ms: enough  18 edges  gap 494 ms  "
        "(attic: trigger)\n"
        "  note: 6 closings and openings measured: bounce 6.2 ms in the median, 6.2 ms at most\n"
        "open    midi:61  3 presses  bounce 0.0 ms  wants 5 ms debounce  6 edges  gap 500 ms  (attic: pop)\n"
        "  note: 6 closings and openings measured: bounce 0.0 ms in the median, 0.0 ms at most\n"
    )
    assert done.stdout.endswith(end)
    live = done.stdout.removesuffix(end).splitlines()
    assert len(live) == 12  # a line for each change that came to rest
    assert "CLOSED  midi:60  1 press  bounce 6.2 ms  debounce 30 ms: enough  3 edges" in live[0]


def test_keys_are_said_to_be_held_and_each_press_counts(bench: Bench, tmp_path: Path) -> None:
    """Pressed 0.8 s apart they are let go, by silence, 0.1 s before the next press: no bounce."""
    for number in range(4):
        bench.contacts.edge("key:f", True, bench.clock.now_s() + 0.5 + 0.8 * number)
        bench.contacts.edge("key:f", False, bench.clock.now_s() + 1.2 + 0.8 * number)
    done = bench.ask("--seconds", "5", scene(tmp_path, "key:f"))
    assert (
        "A key counts as held until it has been silent for 0.7 s, so press it no sooner than a second apart."
        in done.stderr
    )
    assert "open    key:f  4 presses  8 edges  (attic: trigger)" in done.stdout


def test_of_wires_nothing_is_said_about_keys(bench: Bench, tmp_path: Path) -> None:
    bench.press("midi:60")
    assert "key" not in bench.ask("--seconds", "5", scene(tmp_path, "midi:60")).stderr


def test_a_bad_switch_is_a_problem(bench: Bench, tmp_path: Path) -> None:
    """157 ms: the bad switch of Ganssle, A Guide to Debouncing."""
    bench.press("midi:60", bounce_s=0.157)
    done = bench.ask("--seconds", "5", scene(tmp_path, "midi:60"))
    assert done.exit_code == 1
    assert "bounce 157.0 ms  debounce 30 ms: TOO SHORT, take 314 ms" in done.stdout
    assert (
        "  problem: midi:60 bounced for 157.0 ms, longer than debounce_ms = 30. "
        "Write debounce_ms = 314 under [trigger], or take a better switch.\n" in done.stdout
    )


def test_what_was_taken_for_nothing_is_counted(bench: Bench, tmp_path: Path) -> None:
    bench.press("midi:60")
    bench.contacts.garbage = {"malformed messages": 3, "messages for no contact": 17}
    done = bench.ask("--seconds", "5", scene(tmp_path, "midi:60"))
    assert done.exit_code == 0
    assert done.stdout.endswith(
        "simulated port, taken for nothing: malformed messages: 3, messages for no contact: 17\n"
    )
    bench.press("midi:60")
    done = bench.ask("--seconds", "5", "--json", scene(tmp_path, "midi:60"))
    assert json.loads(done.stdout)["discarded"] == {"simulated port": bench.contacts.garbage}


def test_little_margin_is_said_but_no_problem(bench: Bench, tmp_path: Path) -> None:
    bench.press("midi:60", bounce_s=0.0062)
    done = bench.ask("--seconds", "5", scene(tmp_path, "midi:60", debounce_ms=10))
    assert done.exit_code == 0
    assert "debounce 10 ms: tight, better 13 ms" in done.stdout
    assert "debounce_ms = 10 covers what was seen, but not twice that; 13 is safer" in done.stdout


def test_the_shortest_debounce_of_two_scenes_counts(bench: Bench, tmp_path: Path) -> None:
    bench.press("midi:60", bounce_s=0.02)
    both = [scene(tmp_path, "midi:60", name=name, debounce_ms=ms) for name, ms in (("a", 50), ("b", 15))]
    done = bench.ask("--seconds", "5", "--json", *both)
    (row,) = json.loads(done.stdout)["contacts"]
    assert (done.exit_code, row["debounce_ms"]) == (1, 15)
    assert row["uses"] == ["a: trigger", "b: trigger"]


def test_a_contact_that_never_changes_is_a_problem(bench: Bench, tmp_path: Path) -> None:
    bench.press("midi:60")
    done = bench.ask("--seconds", "4", scene(tmp_path, "midi:60", pop="midi:61"))
    assert done.exit_code == 1
    assert "midi:61  0 presses  0 edges  (attic: pop)\n" in done.stdout
    assert "problem: midi:61 was never seen to change. Was it pressed?" in done.stdout


def test_knocks_are_counted_by_a_microphone(bench: Bench, tmp_path: Path) -> None:
    random = np.random.default_rng(4)
    knock = 0.1 * random.standard_normal(2400) * np.exp(-np.arange(2400) / 500.0)
    for after_s in (1.0, 2.13, 3.5):
        bench.microphone.add(knock.astype(np.float32), bench.clock.now_s() + after_s)
        # its echo makes no second knock
        bench.microphone.add(knock.astype(np.float32), bench.clock.now_s() + after_s + 0.1)
    bench.press("midi:60")
    done = bench.ask("--seconds", "5", scene(tmp_path, "midi:60", pop="microphone:1"))
    assert done.exit_code == 0
    assert "Knock on the prop a few times to try its microphone." in done.stderr
    assert done.stdout.endswith(
        "quiet   microphone:1  3 bangs  (attic: pop)\n"
        "  note: every sudden sound counted here; the show listens only when the pop is due\n"
    )


def test_a_microphone_that_hears_nothing_is_a_problem(bench: Bench, tmp_path: Path) -> None:
    bench.press("midi:60")
    done = bench.ask("--seconds", "4", scene(tmp_path, "midi:60", pop="microphone:1"))
    assert done.exit_code == 1
    assert "problem: microphone:1 heard no bang. Was there one? If so, put it nearer" in done.stdout


def test_a_microphone_is_not_to_be_compared(bench: Bench, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="can be nothing but its pop_contact"):
        bench.ask("--against", "microphone:2", scene(tmp_path, "midi:60"))


def test_ctrl_c_ends_it_with_json_for_programs(bench: Bench, tmp_path: Path) -> None:
    bench.press("midi:60", times=4, bounce_s=0.001557)
    bench.at(6.0, lambda: signal.raise_signal(signal.SIGINT))
    done = bench.ask("--json", scene(tmp_path, "midi:60"))
    assert done.exit_code == 0
    assert json.loads(done.stdout) == {
        "contacts": [
            {
                "contact": "midi:60",
                "uses": ["attic: trigger"],
                "closed": False,
                "presses": 4,
                "edges": 24,
                "short_presses": 0,
                "short_openings": 0,
                "bounces_measured": 8,
                "typical_bounce_ms": 1.557,
                "longest_bounce_ms": 1.557,
                "suggested_debounce_ms": 5,
                "debounce_ms": 30.0,
                "shortest_gap_ms": 498.443,
                "problems": [],
            }
        ],
        "against": None,
        "discarded": {},
    }
    assert "CLOSED  midi:60" in done.stderr


def test_taps_and_slips_are_told_apart_from_bounce(bench: Bench, tmp_path: Path) -> None:
    bench.press("midi:60", times=1)
    start_s = bench.clock.now_s()
    for at_s, closed in ((2.0, True), (2.1, False), (3.0, True), (3.5, False), (3.6, True), (4.5, False)):
        bench.contacts.edge("midi:60", closed, start_s + at_s)
    done = bench.ask("--seconds", "6", scene(tmp_path, "midi:60"))
    assert done.exit_code == 0
    assert "1 press was over within 0.2 s" in done.stdout
    assert "1 time it opened for less than 0.2 s while held" in done.stdout
    assert "bounce 0.0 ms" in done.stdout


def test_two_paths_of_one_button_are_compared(bench: Bench, tmp_path: Path) -> None:
    bench.press("midi:60", times=2)
    bench.press("midi:1:62", times=1, late_s=0.010)
    bench.at(0.0, lambda: bench.contacts.press("midi:1:62", bench.clock.now_s() + 1.514, hold_s=0.5))
    done = bench.ask("--seconds", "4", "--against", "midi:1:62", scene(tmp_path, "midi:60"))
    assert done.exit_code == 0
    assert done.stdout.endswith(
        "midi:1:62 comes 12.00 ms after midi:60 in the median of 2 presses; the difference spreads over "
        "4.00 ms, standard deviation 2.83 ms; presses that came only by midi:60: 0, only by midi:1:62: 0\n"
    )


def test_two_paths_in_json(bench: Bench, tmp_path: Path) -> None:
    bench.press("midi:60", times=2)
    bench.press("midi:1:62", times=1, late_s=-0.004)
    done = bench.ask("--json", "--seconds", "4", "--against", "midi:1:62", scene(tmp_path, "midi:60"))
    told = json.loads(done.stdout)["against"]
    assert told == {
        "presses": 1,
        "only_trigger": 1,
        "only_against": 0,
        "median_ms": -4.0,
        "spread_ms": 0.0,
        "sd_ms": None,
    }


def test_what_cannot_be_compared_is_said(bench: Bench, tmp_path: Path) -> None:
    one, two = scene(tmp_path, "midi:60", name="a"), scene(tmp_path, "midi:61", name="b")
    with pytest.raises(InputError, match=r"these scenes have midi:60, midi:61\. Name one scene"):
        bench.ask("--against", "midi:62", one, two)
    with pytest.raises(InputError, match="--against midi:1:60 is midi:60 of the scene itself"):
        bench.ask("--against", "midi:1:60", one)
    with pytest.raises(InputError, match="nonsense"):
        bench.ask("--against", "nonsense", one)


def test_a_port_that_goes_away_ends_it_with_what_was_seen(bench: Bench, tmp_path: Path) -> None:
    bench.press("midi:60")
    bench.at(3.5, bench.contacts.unplug)
    arguments = ["contacts", str(scene(tmp_path, "midi:60"))]
    done = CliRunner().invoke(cuesync, arguments)
    assert isinstance(done.exception, DeviceError)
    assert str(done.exception).startswith("the simulated port is gone, so this ended early.")
    assert "midi:60  3 presses" in done.stdout.splitlines()[-2]


needs_terminal = pytest.mark.skipif(
    sys.platform == "win32", reason="pseudo-terminals are a thing of Linux and macOS"
)


class Keys:
    """`cuesync contacts` as a program with a pseudo-terminal as its keyboard, and as its screen if wanted."""

    def __init__(self, path: Path, *options: str, screen: bool) -> None:
        self.typist, terminal = os.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "cuesync", "contacts", str(path), *options],
            stdin=terminal,
            stdout=terminal if screen else subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=os.environ | {"TERM": "xterm", "COLUMNS": "120"},
        )
        os.close(terminal)
        self.shown = b""

    def wait_for(self, text: bytes) -> None:
        end_s = time.monotonic() + 30.0
        while text not in self.shown:
            assert time.monotonic() < end_s, self.shown
            if select.select([self.typist], [], [], 0.1)[0]:
                self.shown += os.read(self.typist, 4096)

    def started(self) -> None:
        """Wait until it asks for presses: then the keyboard is open."""
        assert self.process.stderr is not None
        assert self.process.stderr.readline().startswith(b"Nothing is played")
        assert self.process.stderr.readline().startswith(b"Press and hold")

    def end(self, how: signal.Signals = signal.SIGINT) -> tuple[int, bytes]:
        self.process.send_signal(how)
        out, _ = self.process.communicate(timeout=30)
        while select.select([self.typist], [], [], 0.1)[0]:
            try:
                read = os.read(self.typist, 4096)
            except OSError:
                break  # Linux says so where the other end is closed
            if not read:
                break
            self.shown += read
        os.close(self.typist)
        return self.process.returncode, out or b""


@needs_terminal
def test_a_terminal_keeps_one_row_a_contact(tmp_path: Path) -> None:
    keys = Keys(scene(tmp_path, "key:f"), screen=True)
    keys.wait_for(b"unseen  key:f  0 presses")
    os.write(keys.typist, b"f")
    keys.wait_for(b"\x1b[1F\x1b[JCLOSED  key:f  1 press ")
    keys.wait_for(b"\x1b[1F\x1b[Jopen    key:f  1 press ")
    code, _ = keys.end()
    assert code == 0
    last = keys.shown.split(b"\x1b[J")[-1].decode().splitlines()  # the live row has made way for it
    assert last[0] == "open    key:f  1 press  2 edges  (attic: trigger)"
    assert last[1].startswith("  note: a terminal hides a key's bounce")
    assert b" ms" not in keys.shown.split(b"note")[0]  # nothing is claimed of what can't be seen


@needs_terminal
def test_a_pipe_gets_plain_lines(tmp_path: Path) -> None:
    keys = Keys(scene(tmp_path, "key:f"), screen=False)
    keys.started()
    os.write(keys.typist, b"f")
    time.sleep(1.5)
    code, out = keys.end(signal.SIGTERM)  # the system's way to end it does as well as Ctrl-C
    lines = out.decode().splitlines()
    assert code == 0
    assert b"\x1b" not in out
    assert [line[10:] for line in lines[:2]] == [
        "CLOSED  key:f  1 press  1 edge  (attic: trigger)",
        "open    key:f  1 press  2 edges  (attic: trigger)",
    ]


def test_a_contact_in_another_room_is_proved_by_messages_that_nobody_here_wrote(tmp_path: Path) -> None:
    """python-osc builds the OSC 1.0 messages; they go over a real socket to the real program."""
    builder = pytest.importorskip("pythonosc.osc_message_builder")

    def message(value: int) -> bytes:
        building = builder.OscMessageBuilder("/porch/pad")
        building.add_arg(value)
        built: bytes = building.build().dgram
        return built

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as pad:
        pad.bind(("127.0.0.1", 0))
        port = pad.getsockname()[1]
    command = f"-m cuesync contacts --osc-listen 127.0.0.1:{port} --seconds 4 --json".split()
    program = subprocess.Popen(
        [sys.executable, *command, str(scene(tmp_path, "osc:/porch/pad"))],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert program.stderr is not None
    while not program.stderr.readline().startswith(b"Press and hold"):
        assert program.poll() is None
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as pad:
        for _ in range(2):
            for closed in (1, 0, 1):  # closes with a bounce
                pad.sendto(message(closed), ("127.0.0.1", port))
                time.sleep(0.01)
            time.sleep(0.4)
            pad.sendto(message(0), ("127.0.0.1", port))
            time.sleep(0.4)
    out, _ = program.communicate(timeout=30)
    (row,) = json.loads(out)["contacts"]
    assert (program.returncode, row["presses"], row["edges"], row["bounces_measured"]) == (0, 2, 8, 4)
    assert 0.0 < row["longest_bounce_ms"] < 200.0


def test_without_a_terminal_keys_are_refused(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "cuesync", "contacts", str(scene(tmp_path, "key:f"))],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 2
    assert "keys can only be read from a terminal" in done.stderr
