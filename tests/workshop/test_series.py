"""Machines of the same parts are compared with each other, and with no others."""

from __future__ import annotations

from agent.workshop.series import Lately, alike


def of(machine: str, **values: list[float]) -> Lately:
    return Lately(machine, "", values)


def test_angles_of_all_machines_are_one_group_and_none_is_none() -> None:
    found = [of("a", gantry_angle_deg=[45.1]), of("b", gantry_angle_deg=[44.9]), of("c")]
    assert list(alike(found, "gantry_angle_deg")) == [{"a": [45.1], "b": [44.9]}]
    assert list(alike([of("c")], "gantry_angle_deg")) == []
    assert list(alike([], "gantry_angle_deg")) == []
