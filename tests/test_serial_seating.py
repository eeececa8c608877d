"""A part that is asked and answers: both of its wires on one port, or both by software."""

from __future__ import annotations

import pytest

from tests.chip_world import circuit_of

BUILD = """build: air
board: {board}
supply: {{rail: 5V, max_ma: 1000}}
probes:
  a: {{part: co2-ndir-uart9, value: co2, every_s: 5{wires}}}
"""
SECOND = "  b: {part: co2-ndir-uart9, value: co2, every_s: 5}\n"
DUST = "  b: {part: pm-frame32, value: pm2_5, every_s: 2}\n"


def _links(board: str, wires: str = "", more: str = "") -> dict[str, tuple[str | None, str, str]]:
    circuit = circuit_of(BUILD.format(board=board, wires=wires) + more)
    return {
        link.use.name: (
            link.port,
            link.rx.label if link.rx else "",
            link.tx.label if link.tx else "",
        )
        for link in circuit.serial_links
    }


def test_both_wires_go_to_one_free_port() -> None:
    assert _links("atmega2560-5v") == {"a": ("Serial1", "19", "18")}
    assert _links("atmega32u4-5v") == {"a": ("Serial1", "0", "1")}


def test_two_parts_get_a_port_each() -> None:
    links = _links("atmega2560-5v", more=SECOND)
    assert {port for port, _, _ in links.values()} == {"Serial1", "Serial2"}
    assert links["b"] == ("Serial2", "17", "16")


@pytest.mark.parametrize(
    ("wires", "link"),
    [
        (", wires: {TXD: 15}", ("Serial3", "15", "14")),
        (", wires: {RXD: 16}", ("Serial2", "17", "16")),
        (", wires: {TXD: 17, RXD: 16}", ("Serial2", "17", "16")),
    ],
)
def test_one_wire_of_the_build_draws_the_other_after_it(
    wires: str, link: tuple[str, str, str]
) -> None:
    assert _links("atmega2560-5v", wires)["a"] == link


def test_a_port_whose_sender_is_taken_is_left_to_one_who_only_sends() -> None:
    relay = "loads:\n  fan: {part: relay-module-active-low, wires: {IN: 18}}\n"
    links = _links("atmega2560-5v", more=DUST + relay)
    assert links["a"] == ("Serial2", "17", "16")
    assert links["b"][0] in ("Serial1", "Serial3")


def test_without_a_free_port_both_go_by_software() -> None:
    port, rx, tx = _links("atmega328p-5v")["a"]
    assert port is None
    assert rx
    assert tx
    assert {rx, tx} & {"0", "1"} == set()
