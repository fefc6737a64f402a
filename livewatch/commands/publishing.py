"""What the commands that run something say of publishing it: the options, and the publisher around the run."""

from __future__ import annotations

import queue
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any, TypeVar

import click

from livewatch.commands.lines import say

if TYPE_CHECKING:
    from livewatch import Event, Profile, Recorder, Run
    from livewatch.publish.settings import PublishSettings

__all__ = ["Between", "publish_options", "published", "settings_of"]

Command = TypeVar("Command", bound=Callable[..., Any])


def publish_options(command: Command) -> Command:
    """`--publish`, `--publish-frames`, `--allow-acknowledge`."""
    command = click.option(
        "--allow-acknowledge", is_flag=True, help="Let alarms be acknowledged from afar; who did is logged."
    )(command)
    command = click.option("--publish-frames", is_flag=True, help="Publish the raw frames as well.")(command)
    return click.option(
        "--publish",
        "broker",
        metavar="BROKER[/STATION]",
        help="Publish to an MQTT broker, for example mqtts://broker.example/car_7. User and password come from the "
        "environment or mqtt.yaml, never from here.",
    )(command)


def settings_of(
    profile: Profile, broker: str | None, frames: bool, acknowledge: bool, *, by_profile: bool
) -> PublishSettings | None:
    """What to publish; nothing of MQTT is loaded where nothing is published.

    Raises:
        UsageError: the broker makes no sense, or its secrets cannot be used.
    """
    if broker is None and (profile.publish is None or not by_profile):
        return None
    from livewatch.publish.settings import publish_settings

    return publish_settings(profile, broker, frames, acknowledge, by_profile=by_profile)


@contextmanager
def published(
    settings: PublishSettings | None,
    recorder: Recorder,
    run_of: Callable[[], Run],
    submit: Callable[[Callable[[], Any]], Future[Any]],
    apply: Callable[[Any], Future[list[Event]]] | None = None,
    *,
    replaying: bool = False,
) -> Iterator[None]:
    """Publish a run, which has to be over when the context ends; nothing where `settings` is None.

    Args:
        run_of: the run, as it stands when it is asked for.
        submit: has something done by the thread that the run belongs to.
        apply: carries out what a person did; by `submit` when not given.
    """
    if settings is None:
        yield
        return
    from livewatch.publish.publisher import Publisher

    carry_out = apply or (lambda action: submit(lambda: run_of().apply(action)))
    publisher = Publisher(settings, recorder, run_of, submit, carry_out, replaying)
    publisher.start()
    try:
        yield
    finally:
        if said := publisher.close():
            say(said, error=True)


class Between:
    """What others want done with a run, carried out by the thread that pushes its rows, between two batches."""

    def __init__(self) -> None:
        self._wishes: queue.SimpleQueue[tuple[Callable[[], Any], Future[Any]]] = queue.SimpleQueue()

    def submit(self, call: Callable[[], Any]) -> Future[Any]:
        """Have it done; the result comes by the future."""
        done: Future[Any] = Future()
        self._wishes.put((call, done))
        return done

    def serve(self) -> None:
        """Do what is wished for; called between two batches."""
        with suppress(queue.Empty):
            while True:
                call, done = self._wishes.get_nowait()
                if done.set_running_or_notify_cancel():
                    try:
                        done.set_result(call())
                    except Exception as error:
                        done.set_exception(error)
