"""Channels that messages bring: their unit, their time, their order, and what is no number."""

from __future__ import annotations

import json
import time

import can
import numpy as np
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from livewatch.data.samples import Quality
from livewatch.profile import load_profile_text
from livewatch.run.live import LiveRun, parse_live_buses
from livewatch.run.run import Run
from livewatch.session.folder import Session
from livewatch.session.recorder import Recorder
from livewatch.sources.mqtt.beside_buses import BesideBuses
from livewatch.sources.mqtt.broker import Broker
from livewatch.sources.mqtt.channel_source import LATE, MALFORMED, ChannelSource
from tests.publish.conftest import told

PROFILE = """
profile: 1
name: dyno cell
channels:
  oil_pressure: {unit: kPa, valid: 0 .. 1000 kPa}
  ambient_air_temperature: {}
signature_alarms: off
mqtt:
  window: 0.2 s
  channels:
    oil_pressure: {topic: cell/oil, field: oil.pressure, unit: bar, time: t, time_unit: ms}
    ambient_air_temperature: {topic: weather/roof}
"""


@pytest.fixture
def source() -> ChannelSource:
    profile = load_profile_text(PROFILE, "cell.yaml", None)
    return ChannelSource(Broker.parse("localhost"), profile, lambda: None)


def oil(bar, stamp) -> bytes:
    return json.dumps({"t": stamp, "oil": {"pressure": bar}}).encode()


def collected(source: ChannelSource):
    source.close()
    return source.collect()


def test_a_value_comes_in_the_unit_of_its_channel_at_the_senders_time(source: ChannelSource) -> None:
    now = time.time()
    source.take("cell/oil", oil(4.25, now * 1000))
    source.take("weather/roof", b"21.5")
    batch = collected(source)
    by_channel = {column.channel: column for column in batch.columns}
    assert by_channel[0].value.tolist() == [425.0]
    assert by_channel[1].value.tolist() == [21.5]
    assert abs(int(batch.time[0]) / 1e9 - now) < 0.01


def test_messages_out_of_order_within_the_window_are_put_in_order(source: ChannelSource) -> None:
    now = time.time() * 1000
    for bar, late in ((1, 30), (2, 10), (3, 20)):
        source.take("cell/oil", oil(bar, now - late))
    batch = collected(source)
    assert batch.columns[0].value.tolist() == [100.0, 300.0, 200.0]
    assert (np.diff(batch.time) > 0).all() and MALFORMED not in source.counts and LATE not in source.counts


def test_what_comes_later_than_the_window_is_counted_and_does_not_turn_time_back(source: ChannelSource) -> None:
    now = time.time() * 1000
    source.take("cell/oil", oil(1, now - 1000))
    first = source.collect()
    assert len(first) == 1
    source.take("cell/oil", oil(2, now - 2000))
    second = collected(source)
    assert source.counts[LATE] == 1
    assert second.time[0] >= first.time[0]


def test_a_sender_whose_clock_was_never_set_keeps_its_intervals(source: ChannelSource) -> None:
    now = time.time_ns()
    for step in range(3):
        source.take("cell/oil", oil(1, 5000 + 50 * step))
    batch = collected(source)
    assert np.diff(batch.time).tolist() == [50_000_000, 50_000_000]
    assert abs(int(batch.time[0]) - now) < 1_000_000_000


@pytest.mark.parametrize(
    "payload",
    [b"", b"{", b'"12"', b'{"t": 1, "oil": {"pressure": "4"}}', b'{"t": 1, "oil": {"pressure": NaN}}', b"[" * 5000,
     b'{"t": 1, "oil": {"pressure": true}}', b'{"t": 1e300, "oil": {"pressure": 1}}', b'{"t": 1, "oil": 3}',
     b"\xff\xfe",
     b'{"t": "now", "oil": {"pressure": 1}}', b'{"oil": {"pressure": 1}}', b" " * 100_000],
)  # fmt: skip
def test_what_is_no_number_is_counted_and_brings_nothing(source: ChannelSource, payload: bytes) -> None:
    source.take("cell/oil", payload)
    assert not len(collected(source)) and source.counts[MALFORMED] == 1


def test_a_value_beyond_its_range_is_out_of_range_and_not_good(source: ChannelSource) -> None:
    source.take("cell/oil", oil(99, time.time() * 1000))
    assert collected(source).columns[0].quality.tolist() == [int(Quality.OUT_OF_RANGE)]


BESIDE = PROFILE.replace(
    "channels:\n  oil",
    "decode: [{frame: 0x100, bus: engine, signals: {N: {start: 0, length: 16, unit: rpm}}}]\n"
    "channels:\n  engine_speed: {signal: N}\n  oil",
    1,
).replace(
    "signature_alarms: off\n",
    "signature_alarms: off\nalarms:\n  oil_low: {condition: oil_pressure < 100 kPa, priority: high, action: Stop.}\n",
)


@pytest.mark.parametrize("beside", [True, False])
def test_channels_beside_a_bus_or_alone_are_judged_recorded_and_replayed_alike(broker, tmp_path, beside: bool) -> None:
    profile = load_profile_text(BESIDE, "cell.yaml", None)
    folder = Session.create(tmp_path / "live", profile, ["x"])
    run = Run(profile, Recorder(folder))
    source = ChannelSource(Broker.parse(str(broker)), profile, lambda: run.pipeline.newest)
    buses = parse_live_buses(["engine=virtual:beside"]) if beside else []
    live = LiveRun(run, buses, received=lambda opened: BesideBuses(opened, source) if beside else source)
    live.start()
    sender = mqtt.Client(CallbackAPIVersion.VERSION2)
    sender.connect("127.0.0.1", broker.port)
    sender.loop_start()
    with can.Bus("beside", "virtual") as bus:
        end = time.monotonic() + 60
        while b"oil_low" not in (folder.path / "events.jsonl").read_bytes() and time.monotonic() < end:
            bus.send(can.Message(arbitration_id=0x100, data=b"\x10\x20", is_extended_id=False))
            sender.publish("cell/oil", oil(0.5, time.time() * 1000))
            time.sleep(0.05)
    live.stop()
    sender.loop_stop()
    assert live.failure is None
    lines = told(folder.path)
    assert any(b'"subject":"oil_low","transition":"raised"' in line for line in lines)
    assert not any(b"rows stamped earlier" in line for line in lines)
    again = Session.create(tmp_path / "again", profile, ["x"])
    replayed = Run(profile, Recorder(again, may_wait=True))
    for batch in Session.open(folder.path).rows(profile).batches():
        replayed.push(batch)
    replayed.close()
    assert told(again.path) == lines
