"""Instruments that misbehave while a job runs, and orders that must not reach them."""

from __future__ import annotations

from pathlib import Path

from tests.system.rigging import REPOSITORY, Daemon, Listener, Simulator, until

SLOW = {"points": "2001"}


def test_an_analyzer_that_falls_silent_once_costs_time_but_not_the_job(
    daemon: Daemon, simulator: Simulator
) -> None:
    job = daemon.queue("open-short-baseline")
    until(lambda: simulator.do("state")["rf_on"], "the sweep to radiate")
    simulator.do("fault", instrument="analyzer", mode="close", count=1)
    daemon.until_state(job, "done")
    assert simulator.do("state")["rf_on"] is False


def test_a_source_that_vanishes_is_switched_off_as_soon_as_it_answers_again(
    daemon: Daemon, simulator: Simulator
) -> None:
    job = daemon.queue("open-short-baseline", **SLOW)
    until(lambda: simulator.do("state")["rf_on"], "the sweep to radiate")
    simulator.do("fault", instrument="generator", mode="stop-listening", count=1)
    failed = daemon.until_state(job, "failed")
    assert failed["error"]["family"] == "link-lost"
    assert "generator" in failed["message"]
    simulator.do("fault", instrument="generator", mode="none")
    until(lambda: not simulator.do("state")["rf_on"], "RF to be switched off")


def test_another_instrument_at_the_same_address_is_refused_by_name(
    tmp_path: Path, simulator: Simulator
) -> None:
    swapped = dict(simulator.addresses)
    swapped["generator"], swapped["analyzer"] = swapped["analyzer"], swapped["generator"]
    simulator.addresses = swapped
    daemon = Daemon(tmp_path, simulator, "none")
    try:
        shown = until(
            lambda: next(
                (
                    one["message"]
                    for one in daemon.http.get("/api/instruments").json()
                    if one["name"] == "generator" and one["message"]
                ),
                None,
            ),
            "the wrong instrument to be noticed",
        )
        assert "Workshop,Analyzer-6G" in shown
        assert "Workshop,Source-6G" in shown
    finally:
        daemon.kill()
        daemon.http.close()


def test_bad_recipes_and_dangerous_ones_never_switch_rf_on(
    daemon: Daemon, simulator: Simulator
) -> None:
    good = (REPOSITORY / "recipes" / "return-loss.yaml").read_text()
    bad = {
        "typing error": good.replace("resolution_bandwidth", "resolution_bandwith"),
        "bare number": good.replace("dwell: 2 ms", "dwell: 2"),
        "unknown route": good.replace("default: middle", "default: midle"),
        "not YAML": good + "\n  : [",
        "too much power": good.replace("default: -10 dBm", "default: 60 dBm"),
        "code": good.replace("title:", "title: !!python/object/apply:os.system [id] #"),
        "path": good.replace("recipe: return-loss", "recipe: ../../etc/passwd"),
        "newline and semicolon": good.replace(
            "default: dipole r3", 'default: "dipole\\n:OUTP ON;"'
        ),
    }
    for what, text in bad.items():
        answer = daemon.http.post(
            "/api/jobs", json={"text": text, "file": "bad.yaml", "arguments": {}}
        )
        assert 400 <= answer.status_code < 500, what
        assert answer.json()["message"], what
    assert daemon.http.get("/api/jobs").json() == []
    history = simulator.do("state")["instruments"]["generator"]["rf_history"]
    assert not any(is_on for _, is_on in history)


def test_an_order_over_mqtt_is_carried_out_and_answered(daemon: Daemon, listener: Listener) -> None:
    until(lambda: listener.on("/presence"), "the daemon to be on the broker")
    order = (
        '{"order": "o-1", "verb": "queue", '
        '"recipe": "open-short-baseline", "arguments": {"points": "51"}}'
    )
    listener.client.publish("benchd/workshop/orders", order, qos=1)
    reply = until(lambda: listener.on("/orders/reply"), "the reply")[0]
    assert reply["ok"] is True, reply
    daemon.until_state(reply["job"]["job"], "done")
    listener.client.publish("benchd/workshop/orders", '{"verb": "explode"}', qos=1)
    refusal = until(lambda: listener.on("/orders/reply")[1:], "the refusal")[0]
    assert refusal["ok"] is False


def test_an_instrument_that_has_gone_unseen_is_told_as_lost_when_somebody_asks(
    daemon: Daemon, simulator: Simulator
) -> None:
    def state(*, ask: bool) -> tuple[str, str]:
        found = daemon.http.get("/api/instruments", params={"ask": ask}).json()
        (one,) = [one for one in found if one["name"] == "analyzer"]
        assert one["asked"] is ask
        return one["state"], one["answered_at"]

    until(lambda: state(ask=False)[0] == "ready", "the analyzer to be connected")
    before = state(ask=True)
    assert before[0] == "ready"
    simulator.do("fault", instrument="analyzer", mode="stop-listening", count=1)
    assert state(ask=False) == before, "nobody has noticed yet"
    gone = state(ask=True)
    assert gone == ("lost", before[1])
    simulator.do("fault", instrument="analyzer", mode="none")
    again = state(ask=True)
    assert again[0] == "ready"
    assert again[1] > before[1]
    assert not simulator.do("state")["rf_on"]
