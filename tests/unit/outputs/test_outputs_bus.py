from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import msgspec
import pytest
import zmq
from hypothesis import given
from hypothesis import strategies as st

from coach.core.values import Decision, LapDone, View
from coach.errors import OutputError
from coach.outputs.bus.keys import is_loopback, make_keys
from coach.outputs.bus.publisher import BusOutput
from coach.outputs.bus.subscriber import Subscriber
from coach.outputs.bus.table import BY_TYPE, TABLE, Beat, Bye, Message, decode, encode, prefix

CUE = Decision(83.4, 2, 10.0, "Kettle", "r", "spoken", "", "late apex", 2.0, 3.0)
LAP = LapDone(lap=2, t_s=180.0, time_s=92.0446, delta_s=0.318, valid=True)
VIEW = View(t_s=1.0, state="live", delta_s=0.2)


def collect(bus: Subscriber, enough: Callable[[list[Message]], bool], limit_s: float = 5.0) -> list[Message]:
    """Read until enough came."""
    got: list[Message] = []
    deadline = time.monotonic() + limit_s
    while not enough(got):
        assert time.monotonic() < deadline, f"only {got} came"
        got += bus.read(0.05)
    return got


def join(bus: BusOutput, subscriber: Subscriber) -> None:
    """Wait until what is published arrives."""
    deadline = time.monotonic() + 5
    while not any(isinstance(m, Beat) for m in subscriber.read(0.02)):
        assert time.monotonic() < deadline, "never joined"
        bus.beat()
    while subscriber.read(0.02):
        pass


@pytest.fixture
def bus() -> Iterator[BusOutput]:
    made = BusOutput()
    yield made
    made.close()


@pytest.fixture
def subscriber(bus: BusOutput) -> Iterator[Subscriber]:
    made = Subscriber(bus.address)
    join(bus, made)
    yield made
    made.close()


def test_table_is_whole() -> None:
    """Every topic has its own name and type, and no name is the beginning of another on the wire."""
    assert len(TABLE) == len({t.name for t in TABLE}) == len(BY_TYPE)
    for a in TABLE:
        assert [a.name] == [b.name for b in TABLE if prefix(b.name).startswith(prefix(a.name))]
    assert {"decision", "lap"} == {t.name for t in TABLE if t.recorded}
    assert ["view"] == [t.name for t in TABLE if t.state]


@pytest.mark.parametrize("message", [VIEW, CUE, LAP, Beat(3), Bye("the end")])
def test_messages_survive_the_wire(message: Message) -> None:
    """Encoding and decoding give the same value."""
    assert repr(message) == repr(decode(encode(message)))  # as text, since NaN is unlike itself


@given(st.binary(max_size=60))
def test_garbage_never_gets_through(frame: bytes) -> None:
    """Any bytes give one of our values or one of our errors."""
    try:
        value = decode(frame)
    except OutputError:
        return
    assert type(value) in BY_TYPE


def test_absent_numbers_stay_absent() -> None:
    """NaN travels as NaN."""
    view = decode(encode(View(t_s=1.0, state="lost")))
    assert isinstance(view, View)
    assert math.isnan(view.delta_s)


def test_events_arrive_in_order_and_of_states_the_newest(bus: BusOutput, subscriber: Subscriber) -> None:
    """200 decisions come as 200 decisions in order; of many views the last one is among the few that come."""
    for i in range(200):
        bus.decision(msgspec.structs.replace(CUE, t_s=float(i)))
    for state in ("live", "lost", "live", "pit"):
        bus.view(View(t_s=9.0, state=state))  # type: ignore[arg-type,unused-ignore]
    bus.lap(LAP)
    got = collect(subscriber, lambda g: LAP in g and any(isinstance(m, View) and m.state == "pit" for m in g))
    assert [float(i) for i in range(200)] == [m.t_s for m in got if isinstance(m, Decision)]


def test_views_are_thinned_to_the_rate_but_a_new_state_goes_at_once() -> None:
    """Of views at 360 Hz at most 30 a second are sent; a change of state is never held back."""
    now = [0.0]
    bus = BusOutput(clock=lambda: now[0])
    sent: list[Message] = []
    bus._send = sent.append  # type: ignore[method-assign,assignment]  # what would go out, without a socket's timing
    for i in range(360):
        now[0] = i / 360
        bus.view(VIEW)
    assert 28 <= sum(isinstance(m, View) for m in sent) <= 31
    assert 2 == sum(isinstance(m, Beat) for m in sent)
    sent.clear()
    bus.view(View(t_s=1.0, state="lost"))
    assert ["lost"] == [m.state for m in sent if isinstance(m, View)]
    bus.close()


def test_a_deaf_subscriber_does_not_hold_the_engine(bus: BusOutput) -> None:
    """A subscriber that never reads costs no call more than 20 ms, over three times its queue."""
    context = zmq.Context()
    deaf = context.socket(zmq.SUB)
    deaf.subscribe(b"")
    deaf.connect(bus.address)
    longest = 0.0
    for _ in range(3000):
        started = time.perf_counter()
        bus.decision(CUE)
        longest = max(longest, time.perf_counter() - started)
    deaf.close(0)
    context.term()
    assert longest < 0.02


def test_the_end_is_told_and_a_bus_can_come_back(bus: BusOutput, subscriber: Subscriber) -> None:
    """A closed bus says so; one that starts again at the same address is heard by the same subscriber."""
    address = bus.address
    bus.close()
    bus.close()
    collect(subscriber, lambda g: any(isinstance(m, Bye) for m in g))
    again = BusOutput(address)
    try:
        join(again, subscriber)
    finally:
        again.close()


def test_strange_frames_are_counted(subscriber: Subscriber, bus: BusOutput) -> None:
    """A frame that is none of ours is counted and passed over."""
    bus._socket.send(prefix("lap") + b"\xc1")
    bus.lap(LAP)
    got = collect(subscriber, lambda g: LAP in g)
    assert [LAP] == [m for m in got if not isinstance(m, Beat)]
    assert 1 == subscriber.strange


def test_a_taken_address_is_one_line(bus: BusOutput) -> None:
    """An address in use is named."""
    with pytest.raises(OutputError, match=rf"bus address {bus.address}: Address already in use"):
        BusOutput(bus.address)
    with pytest.raises(OutputError, match="expected tcp://HOST:PORT"):
        BusOutput("somewhere")


@pytest.mark.parametrize(
    ("address", "own"),
    [
        ("tcp://127.0.0.1:5", True),
        ("tcp://localhost:5", True),
        ("tcp://[::1]:5", True),
        ("tcp://127.0.0.1:*", True),
        ("ipc:///x", True),
        ("tcp://*:5", False),
        ("tcp://0.0.0.0:5", False),
        ("tcp://192.0.2.7:5", False),
        ("tcp://engine.example:5", False),
    ],
)
def test_loopback_is_told_from_the_rest(address: str, own: bool) -> None:
    """Only addresses of this machine go without keys."""
    assert own == is_loopback(address)


def test_leaving_the_machine_needs_keys() -> None:
    """Without keys neither end speaks to another machine."""
    with pytest.raises(OutputError, match="leaves this machine and needs keys"):
        BusOutput("tcp://0.0.0.0:*")
    with pytest.raises(OutputError, match="leaves this machine and needs keys"):
        Subscriber("tcp://192.0.2.7:5555")


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    return make_keys(tmp_path_factory.mktemp("keys"))


def test_keys_are_private_and_never_overwritten(keys: tuple[Path, Path]) -> None:
    """Secret keys are for their owner only, each folder holds only its own secret, a second call refuses."""
    engine, helper = keys
    for folder, secret in ((engine, "engine.key_secret"), (helper, "helper.key_secret")):
        assert [secret] == sorted(p.name for p in folder.rglob("*secret"))
        assert 0 == (folder / secret).stat().st_mode & 0o077
    with pytest.raises(OutputError, match="keys are never overwritten"):
        make_keys(engine.parent)


def test_a_helper_with_keys_hears_and_strangers_do_not(keys: tuple[Path, Path], tmp_path: Path) -> None:
    """On an open address: the known helper gets the lap; no keys, and keys of our own making, get nothing."""
    engine, helper = keys
    _, other = make_keys(tmp_path)
    (other / "engine.key").write_bytes((helper / "engine.key").read_bytes())  # knows whom to talk to, is not known
    bus = BusOutput("tcp://0.0.0.0:*", engine)
    address = bus.address.replace("0.0.0.0", "127.0.0.1")
    known, keyless, unknown = Subscriber(address, helper), Subscriber(address), Subscriber(address, other)
    try:
        join(bus, known)
        for _ in range(5):
            bus.lap(LAP)
        collect(known, lambda g: g.count(LAP) == 5)
        assert [] == keyless.read(0.3)
        assert [] == unknown.read(0.3)
    finally:
        for one in (known, keyless, unknown):
            one.close()
        bus.close()


def test_a_helper_can_not_change_the_run(bus: BusOutput, subscriber: Subscriber) -> None:
    """What a subscriber sends is not read: the socket of the engine only publishes."""
    with pytest.raises(zmq.ZMQError):
        subscriber._events.send(encode(LAP))
    with pytest.raises(zmq.ZMQError):
        bus._socket.recv(zmq.NOBLOCK)


def test_missing_or_wrong_keys_are_named(keys: tuple[Path, Path], tmp_path: Path) -> None:
    """A folder without the right files is one clear line."""
    engine, helper = keys
    with pytest.raises(OutputError, match=r"engine\.key_secret: no key file"):
        BusOutput("tcp://0.0.0.0:*", helper)
    with pytest.raises(OutputError, match=r"helper\.key_secret: no key file"):
        Subscriber("tcp://192.0.2.7:5", engine)
    (tmp_path / "helper.key_secret").write_bytes(b"nonsense")
    with pytest.raises(OutputError, match="no key file"):
        Subscriber("tcp://192.0.2.7:5", tmp_path)
