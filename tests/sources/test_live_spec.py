"""How a bus is named on the command line, and what a mistake in it is told."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from livewatch.errors import UsageError
from livewatch.sources.live.spec import LiveBus, parse_live_buses
from tests.drawn import CHARACTERS


def test_a_bus_with_name_interface_channel_and_rate():
    bus = LiveBus.parse("engine=socketcan:can0@500k")
    assert (bus.name, bus.interface, bus.channel, bus.bitrate) == ("engine", "socketcan", "can0", 500_000)
    assert bus.options == {}
    assert str(bus) == "engine=socketcan:can0@500k"


def test_a_bus_without_a_name_is_called_by_its_channel():
    assert LiveBus.parse("virtual:test").name == "test"


def test_options_become_numbers_and_truth_values():
    bus = LiveBus.parse("cell=slcan:/dev/ttyACM0@1M,tty_baudrate=2000000,sleep_after_open=0.5,rtscts=true,mode=fast")
    assert bus.channel == "/dev/ttyACM0"
    assert bus.bitrate == 1_000_000
    assert bus.options == {"tty_baudrate": 2_000_000, "sleep_after_open": 0.5, "rtscts": True, "mode": "fast"}


def test_data_bit_rate_takes_the_same_letters():
    bus = LiveBus.parse("engine=socketcan:can0@500k,fd=true,data_bitrate=2M")
    assert bus.options == {"fd": True, "data_bitrate": 2_000_000}


@pytest.mark.parametrize("rate,bits", [("500k", 500_000), ("1M", 1_000_000), ("83.3k", 83_300), ("125000", 125_000)])
def test_bit_rates_as_people_write_them(rate, bits):
    assert LiveBus.parse(f"socketcan:can0@{rate}").bitrate == bits
    assert LiveBus.parse(f"socketcan:can0,bitrate={rate}").bitrate == bits


@pytest.mark.parametrize(
    "channel", ["ff15:7079:7468:6f6e:6465:6d6f:6d63:6173", "COM8", "0,1", "socket://localhost:5000", "239.74.163.2"]
)
def test_channels_with_colons_and_commas_stay_whole(channel):
    assert LiveBus.parse(f"slcan:{channel}").channel == channel
    assert LiveBus.parse(f"one=slcan:{channel}@500k,x=1").channel == channel


def test_a_serial_port_with_its_own_speed_and_a_bit_rate():
    bus = LiveBus.parse("slcan:/dev/ttyACM0@115200@500k")
    assert (bus.channel, bus.bitrate) == ("/dev/ttyACM0@115200", 500_000)


@given(st.text(CHARACTERS, max_size=40))
def test_any_text_is_either_a_bus_or_a_usage_error(text):
    try:
        bus = LiveBus.parse(text)
    except UsageError as error:
        assert str(error).startswith(f"bus {text!r}: ")
    else:
        assert bus.channel


def message_of(*texts: str) -> str:
    with pytest.raises(UsageError) as caught:
        parse_live_buses(texts)
    return str(caught.value)


def test_an_unknown_interface_is_told_with_the_nearest_name_and_all_names():
    said = message_of("engine=soketcan:can0@500k")
    assert said.startswith(
        "bus 'engine=soketcan:can0@500k': there is no interface 'soketcan' (did you mean socketcan?); "
        "the interfaces are "
    )
    assert "slcan, socketcan, socketcand" in said


def test_text_of_another_form():
    assert message_of("can0") == (
        "bus 'can0': expected [NAME=]INTERFACE:CHANNEL[@BITRATE][,OPTION=VALUE...], "
        "for example engine=socketcan:can0@500k"
    )


def test_a_missing_channel():
    assert message_of("virtual:") == (
        "bus 'virtual:': no channel after 'virtual'; expected [NAME=]INTERFACE:CHANNEL[@BITRATE][,OPTION=VALUE...], "
        "for example engine=socketcan:can0@500k"
    )


def test_a_bit_rate_that_is_none():
    assert message_of("socketcan:can0@fast") == (
        "bus 'socketcan:can0@fast': 'fast' is no bit rate; expected bit/s such as 500k or 1M"
    )


def test_a_bit_rate_without_its_k():
    assert message_of("socketcan:can0@500") == (
        "bus 'socketcan:can0@500': 500 bit/s is no bit rate of this bus; expected 5000 to 1000000 bit/s; "
        "did you mean 500k?"
    )


def test_a_bit_rate_beyond_the_standard():
    assert message_of("socketcan:can0@5M") == (
        "bus 'socketcan:can0@5M': 5000000 bit/s is no bit rate of this bus; expected 5000 to 1000000 bit/s"
    )


def test_a_bit_rate_given_twice():
    assert message_of("socketcan:can0@500k,bitrate=250k") == (
        "bus 'socketcan:can0@500k,bitrate=250k': the bit rate is given twice, as @500k and as an option"
    )


def test_an_option_without_a_value():
    assert message_of("socketcan:can0,fd=true,loud") == (
        "bus 'socketcan:can0,fd=true,loud': 'loud' is no option; expected OPTION=VALUE after the comma"
    )


def test_two_buses_of_one_name():
    assert message_of("virtual:a", "slcan:a") == (
        "bus 'slcan:a': another bus is called 'a' already; give each a name of its own, for example engine=slcan:a"
    )


def test_one_channel_listened_to_twice():
    assert message_of("one=virtual:a", "two=virtual:a") == (
        "bus 'two=virtual:a': virtual:a is listened to already, as one=virtual:a"
    )
