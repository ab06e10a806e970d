"""Drivers by name, as installed packages offer them."""

from __future__ import annotations

from importlib.metadata import EntryPoint

import pytest

from drivers import registry
from drivers.analyzer import ScpiAnalyzer
from drivers.errors import UnknownDriver
from drivers.source import ScpiSource
from drivers.switch import ScpiSwitch


@pytest.mark.parametrize(
    ("name", "driver"),
    [("scpi-source", ScpiSource), ("scpi-analyzer", ScpiAnalyzer), ("scpi-switch", ScpiSwitch)],
)
def test_installed_drivers_are_found_by_name(name: str, driver: type) -> None:
    assert registry.find_driver(name) is driver
    assert name in registry.driver_names()


def test_an_unknown_driver_is_refused_with_the_nearest_name() -> None:
    with pytest.raises(UnknownDriver, match=r"`scpi-sorce`; did you mean `scpi-source`\?"):
        registry.find_driver("scpi-sorce")
    with pytest.raises(UnknownDriver, match=r"installed: .*scpi-analyzer"):
        registry.find_driver("xyzzy")


@pytest.mark.parametrize(
    ("value", "complaint"),
    [
        ("no_such_package:Driver", "cannot be loaded: No module named 'no_such_package'"),
        ("drivers.source:NoSuchDriver", "cannot be loaded"),
        ("drivers.exchange:Exchange", "is no driver"),
    ],
)
def test_a_strangers_broken_package_is_named(
    monkeypatch: pytest.MonkeyPatch, value: str, complaint: str
) -> None:
    entry = EntryPoint("strange", value, registry.GROUP)
    monkeypatch.setattr(registry, "entry_points", lambda group: [entry])
    with pytest.raises(UnknownDriver) as caught:
        registry.find_driver("strange")
    assert complaint in str(caught.value)
    assert f"`strange` ({value})" in str(caught.value)
