"""Fault codes of SAE J2012 (ISO 15031-6): how they are packed, and what those say that bear on air, fuel, boost,
ignition and their sensors.

Two bytes, or three, come in and a code such as P0171 comes out; a code comes in and its generic text comes out, or None
for one that is a maker's own or not in the list. The texts follow the descriptions of the standard, from memory, in
plain words; "bank 1" is the bank with cylinder 1 throughout.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from types import MappingProxyType

__all__ = ["CODE_TEXTS", "code_bytes", "code_text", "code_words", "is_makers_own", "meaning_of"]

_LETTERS = "PCBU"
_SHAPE = re.compile(r"[PCBU][0-3][0-9A-F]{3}")


def code_text(code: bytes) -> str:
    """The code in two bytes: two bits for the letter, two for the first digit, three digits; a third byte, where there
    is one, says of which type the failure is (SAE J2012-DA): P0171-1C, P0171 where it says nothing."""
    number = int.from_bytes(code[:2], "big")
    failure = f"-{code[2]:02X}" if len(code) > 2 and code[2] else ""
    return f"{_LETTERS[number >> 14]}{number >> 12 & 3:X}{number & 0xFFF:03X}{failure}"


def code_bytes(code: str) -> bytes:
    """The two bytes of a code.

    Raises:
        ValueError: it is none.
    """
    if not _SHAPE.fullmatch(code):
        raise ValueError(f"{code!r} is no fault code; expected for example P0171")
    return (_LETTERS.index(code[0]) << 14 | int(code[1:], 16)).to_bytes(2, "big")


def is_makers_own(code: str) -> bool:
    """Whether a code's meaning is left to the maker of the car (SAE J2012: P1xxx, P30xx to P33xx, and likewise)."""
    code = code[:5]
    if not _SHAPE.fullmatch(code):
        return False
    return code[1] in "12" if code[0] != "P" else code[1] == "1" or code[1:3] in ("30", "31", "32", "33")


def meaning_of(code: str) -> str | None:
    """The generic text, None where there is none."""
    return CODE_TEXTS.get(code[:5])


def code_words(code: str) -> str:
    """A code with its generic text."""
    text = meaning_of(code)
    if text is None:
        text = "a code of the maker's own" if is_makers_own(code) else "no text known"
    return f"{code} ({text})"


def _circuit(first: int, what: str) -> Iterator[tuple[str, str]]:
    """The five codes of a sensor's circuit."""
    for place, fault in enumerate(("circuit", "range or performance", "circuit low", "circuit high", "intermittent")):
        yield f"P{first + place:04X}", f"{what}: {fault}"


def _banks(first: int, second: int, text: str) -> Iterator[tuple[str, str]]:
    yield f"P{first:04X}", f"{text}, bank 1"
    yield f"P{second:04X}", f"{text}, bank 2"


def _texts() -> Iterator[tuple[str, str]]:
    for first, what in (
        (0x0100, "mass or volume air flow sensor A"), (0x0105, "manifold or barometric pressure sensor"),
        (0x0110, "intake air temperature sensor 1"), (0x0115, "engine coolant temperature sensor 1"),
        (0x0120, "throttle or pedal position sensor A"), (0x0190, "fuel rail pressure sensor A"),
        (0x0325, "knock sensor 1"), (0x0330, "knock sensor 2"), (0x0335, "crankshaft position sensor A"),
        (0x0340, "camshaft position sensor A, bank 1"), (0x0095, "intake air temperature sensor 2"),
        (0x0235, "boost pressure sensor A"), (0x2226, "barometric pressure sensor A"),
    ):  # fmt: skip
        yield from _circuit(first, what)
    for first, where in ((0x0130, "bank 1, sensor 1"), (0x0136, "bank 1, sensor 2"), (0x0150, "bank 2, sensor 1"),
                         (0x0156, "bank 2, sensor 2")):  # fmt: skip
        faults = ("circuit", "circuit low", "circuit high", "slow response", "no activity", "heater circuit")
        for place, fault in enumerate(faults):
            yield f"P{first + place:04X}", f"oxygen sensor, {where}: {fault}"
    for cylinder in range(1, 13):
        yield (
            f"P{0x0200 + cylinder:04X}" if cylinder < 10 else f"P02{cylinder}",
            f"injector circuit, cylinder {cylinder}",
        )
        yield f"P03{cylinder:02d}", f"misfire detected, cylinder {cylinder}"
    for coil in range(10):
        yield f"P035{coil}", f"ignition coil {'ABCDEFGHIJ'[coil - 1]} circuit" if coil else "ignition coil circuit"
    for first, second, text in (
        (0x0170, 0x0173, "fuel trim malfunction"), (0x0171, 0x0174, "system too lean"),
        (0x0172, 0x0175, "system too rich"), (0x2096, 0x2098, "fuel trim behind the catalyst too lean"),
        (0x2097, 0x2099, "fuel trim behind the catalyst too rich"), (0x2177, 0x2179, "system too lean off idle"),
        (0x2178, 0x2180, "system too rich off idle"), (0x2187, 0x2189, "system too lean at idle"),
        (0x2188, 0x2190, "system too rich at idle"), (0x2191, 0x2193, "system too lean at higher load"),
        (0x2192, 0x2194, "system too rich at higher load"),
        (0x2195, 0x2197, "oxygen sensor 1 signal biased or stuck lean"),
        (0x2196, 0x2198, "oxygen sensor 1 signal biased or stuck rich"),
        (0x0011, 0x0021, "intake camshaft timing too far advanced"),
        (0x0012, 0x0022, "intake camshaft timing too far retarded"),
        (0x0016, 0x0018, "crankshaft and intake camshaft do not correlate"),
        (0x0420, 0x0430, "catalyst efficiency below threshold"),
    ):  # fmt: skip
        yield from _banks(first, second, text)
    yield from _SINGLE.items()


_SINGLE: Mapping[str, str] = {
    "P0033": "turbocharger bypass valve control circuit",
    "P0034": "turbocharger bypass valve control circuit low",
    "P0035": "turbocharger bypass valve control circuit high",
    "P0045": "boost control A circuit open",
    "P0046": "boost control A: range or performance",
    "P0047": "boost control A circuit low",
    "P0048": "boost control A circuit high",
    "P0068": "manifold pressure or air flow does not fit the throttle position",
    "P0087": "fuel rail or system pressure too low",
    "P0088": "fuel rail or system pressure too high",
    "P0089": "fuel pressure regulator 1: performance",
    "P008A": "low pressure fuel system: pressure too low",
    "P008B": "low pressure fuel system: pressure too high",
    "P0128": "coolant below the temperature the thermostat regulates to",
    "P0200": "injector circuit",
    "P0219": "engine overspeed",
    "P0230": "fuel pump primary circuit",
    "P0234": "turbocharger or supercharger overboost",
    "P0243": "wastegate solenoid A",
    "P0244": "wastegate solenoid A: range or performance",
    "P0245": "wastegate solenoid A low",
    "P0246": "wastegate solenoid A high",
    "P0299": "turbocharger or supercharger underboost",
    "P0300": "misfire detected, several or random cylinders",
    "P0401": "exhaust gas recirculation flow too low",
    "P0402": "exhaust gas recirculation flow too high",
    "P0441": "evaporative system: wrong purge flow",
    "P0443": "purge valve circuit",
    "P0496": "evaporative system: purge flow when none is asked for",
    "P0505": "idle control system",
    "P0506": "idle speed lower than expected",
    "P0507": "idle speed higher than expected",
    "P0562": "system voltage low",
    "P0563": "system voltage high",
    "P0601": "control module memory checksum",
    "P0606": "control module processor",
    "P2261": "turbocharger bypass valve: mechanical",
    "P2262": "no boost pressure detected: mechanical",
    "P2263": "boost system performance",
    "P2279": "intake air system leak",
    "P2282": "air leak between throttle and intake valves",
    "P2293": "fuel pressure regulator 2: performance",
    "P2294": "fuel pressure regulator 2 control circuit",
    "P2562": "boost control position sensor A circuit",
    "P2563": "boost control position sensor A: range or performance",
    "U0100": "lost communication with the engine control module",
}

CODE_TEXTS: Mapping[str, str] = MappingProxyType(dict(_texts()))
"""Generic text by code."""
