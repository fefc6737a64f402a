"""With a broker that is slow or gone, rows give way, counted in their place, and nothing else does."""

from __future__ import annotations

import time

from livewatch.data.samples import SampleBatch
from livewatch.publish.publisher import Publisher
from livewatch.publish.rows_out import LEFT_OUT, MOST_WAITING, RowsOut
from livewatch.publish.settings import publish_settings
from livewatch.run.history import History
from livewatch.run.run import Run
from livewatch.session.folder import Session
from livewatch.session.recorder import Recorder
from livewatch.sources.mqtt.rows_message import unpack_rows
from tests.publish.brokers import free_port
from tests.publish.test_being_let_in import at_once


def test_rows_beyond_the_bound_are_told_as_lost_where_they_are_missing(drive) -> None:
    out = RowsOut(("engine_speed",))
    frames = drive(200)
    for _ in range(MOST_WAITING // len(frames)):
        out.add(frames)
    out.add(frames[:150])
    out.add(frames[150:350])
    assert out.left_out == 350 and out.waiting == MOST_WAITING
    messages = [out.take()]
    out.add(frames[350:400])
    while (message := out.take()) is not None:
        messages.append(message)
    unpacked = [unpack_rows(message, {"engine_speed": 0}) for message in messages]
    assert [number for number, _ in unpacked] == list(range(len(messages)))
    rows = [rows for _, rows in unpacked]
    lost = [place for place, batch in enumerate(rows) if isinstance(batch, SampleBatch)]
    assert lost == [len(rows) - 2] and rows[-2].counts == {LEFT_OUT: 350} and len(rows[-1]) == 50
    assert sum(map(len, rows)) == MOST_WAITING + 1 + 50


def test_a_run_whose_broker_is_not_there_is_as_fast_and_keeps_its_events(car, drive, tmp_path) -> None:
    recorder = Recorder(Session.create(tmp_path, car, ["x"]), may_wait=True)
    run = Run(car, recorder, history=History(car))
    settings = publish_settings(car, f"mqtt://127.0.0.1:{free_port()}/car_7", rows=True)
    publisher = Publisher(settings, recorder, lambda: run, at_once, at_once)
    publisher.start()
    slowest = 0.0
    for piece in range(10):
        began = time.perf_counter()
        batch = drive(2, 1_760_000_000_000_000_000 + piece * 2_000_000_000)
        publisher.rows(batch)
        publisher.events([])
        slowest = max(slowest, time.perf_counter() - began)
        run.push(batch)
    run.close()
    said = publisher.close()
    assert slowest < 5.0
    assert "nobody listens there" in said and "events wait to be published" in said and "livewatch publish" in said
    assert recorder.finished and not recorder.losses
