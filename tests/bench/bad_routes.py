"""Every way to spoil a route of a bench file: cases of test_bad_benches.py, in its form."""

from __future__ import annotations

ROUTE_CASES: list[tuple[str, str | None, str, str]] = [
    (
        "route from an unknown source",
        "    source: generator\n    out: [lead, coupler",
        "    source: genrator\n    out: [lead, coupler",
        (
            "small.yaml:45:13: routes.middle.source: there is no instrument of kind source "
            '(or analyzer with tracking_level) "genrator", did you mean "generator"? Known: '
            "generator"
        ),
    ),
    (
        "route from an analyzer without a tracking output",
        "    source: generator\n    out: [lead, coupler",
        "    source: analyzer\n    out: [lead, coupler",
        (
            "small.yaml:45:13: routes.middle.source: there is no instrument of kind source "
            '(or analyzer with tracking_level) "analyzer", known are: generator'
        ),
    ),
    (
        "route into a source",
        "back: [booster]\n    analyzer: analyzer",
        "back: [booster]\n    analyzer: generator",
        (
            "small.yaml:61:15: routes.range.analyzer: there is no instrument of kind analyzer"
            ' "generator", known are: analyzer'
        ),
    ),
    (
        "unknown fixture in a route",
        "out: [lead, coupler.through",
        "out: [laed, coupler.through",
        (
            'small.yaml:46:11: routes.middle.out[1]: there is no fixture or switch "laed", '
            'did you mean "lead"? Known: booster, coupler, lead, selector, tail'
        ),
    ),
    (
        "coupler without an arm",
        "out: [lead, coupler.through",
        "out: [lead, coupler",
        (
            'small.yaml:46:17: routes.middle.out[2]: found "coupler", expected '
            '"coupler.through" or "coupler.coupled"'
        ),
    ),
    (
        "arm that a coupler does not have",
        "out: [lead, coupler.through",
        "out: [lead, coupler.trough",
        (
            'small.yaml:46:17: routes.middle.out[2]: found "coupler.trough", expected '
            '"coupler.through" or "coupler.coupled"'
        ),
    ),
    (
        "arm of a cable",
        "selector.port, tail]",
        "selector.port, tail.through]",
        (
            'small.yaml:46:49: routes.middle.out[4]: "tail" is a cable without arms; write '
            '"tail" alone'
        ),
    ),
    (
        "switch without a bank",
        "selector.port, tail]",
        "selector, tail]",
        (
            'small.yaml:46:34: routes.middle.out[3]: "selector" is a switch; name its bank, '
            'such as "selector.port"'
        ),
    ),
    (
        "unknown bank in a route",
        "selector.port, tail]",
        "selector.ports, tail]",
        (
            'small.yaml:46:34: routes.middle.out[3]: the switch "selector" has no bank '
            '"ports", did you mean "port"? Known: port, sense'
        ),
    ),
    (
        "element twice",
        "selector.port, tail]",
        "selector.port, lead]",
        'small.yaml:46:49: routes.middle.out[4]: "lead" stands in the route twice',
    ),
    (
        "reflection without its coupled arm",
        "back: [coupler.coupled]",
        "back: [tail]",
        (
            'small.yaml:48:11: routes.middle.back: found "tail" first, expected '
            '"coupler.coupled", where the path turns back\n'
            'small.yaml:48:12: routes.middle.back[1]: "tail" stands in the route twice'
        ),
    ),
    (
        "reflection without a coupler",
        "out: [lead, coupler.through, selector.port, tail]",
        "out: [lead, selector.port, tail]",
        (
            "small.yaml:46:10: routes.middle.out: a reflection passes one coupler on its way "
            "out, found 0; write it as its name and .through"
        ),
    ),
    (
        "amplifier behind the coupler",
        "selector.port, tail]",
        "selector.port, booster]",
        (
            "small.yaml:46:49: routes.middle.out[4]: an amplifier between coupler and port "
            "lets no reflection back; move it ahead"
        ),
    ),
    (
        "reflection with a far port",
        "port: middle\n",
        "port: middle\n    far_port: far_end\n",
        (
            "small.yaml:48:15: routes.middle.far_port: a reflection has no far_port; take it "
            "out, or write kind: transmission"
        ),
    ),
    (
        "transmission without a far port",
        "    far_port: far_end\n",
        "",
        (
            "small.yaml:54:5: routes.range: a transmission comes back at another port: the "
            'key "far_port" is missing'
        ),
    ),
    (
        "unknown kind of route",
        "kind: transmission",
        "kind: transmision",
        (
            'small.yaml:54:11: routes.range.kind: "transmision" is not known, did you mean '
            '"transmission"? Known: reflection, transmission'
        ),
    ),
    (
        "unknown range antenna",
        "range_antenna: range dipole",
        "range_antenna: range dipol",
        (
            'small.yaml:58:20: routes.range.range_antenna: there is no antenna "range dipol",'
            ' did you mean "range dipole"? Known: range dipole'
        ),
    ),
    (
        "position of an unknown switch",
        "open: {selector: {port: open}}",
        "open: {selctor: {port: open}}",
        (
            "small.yaml:51:23: routes.middle.positions.open.selctor: there is no instrument "
            'of kind switch "selctor", did you mean "selector"? Known: selector'
        ),
    ),
    (
        "position of an unknown bank",
        "open: {selector: {port: open}}",
        "open: {selector: {prt: open}}",
        (
            "small.yaml:51:30: routes.middle.positions.open.selector.prt: the switch "
            '"selector" has no bank "prt", did you mean "port"? Known: port, sense'
        ),
    ),
    (
        "position of an unknown throw",
        "open: {selector: {port: open}}",
        "open: {selector: {port: opn}}",
        (
            "small.yaml:51:31: routes.middle.positions.open.selector.port: the bank "
            '"selector.port" has no throw "opn", did you mean "open"? Known: open, short'
        ),
    ),
    (
        "bank set by route and position",
        "    port: middle\n",
        "    port: middle\n    switch: {selector: {port: open}}\n",
        (
            "small.yaml:52:31: routes.middle.positions.open.selector.port: the route itself "
            "sets the bank selector.port; set it in one place\n"
            "small.yaml:53:32: routes.middle.positions.short.selector.port: the route itself "
            "sets the bank selector.port; set it in one place"
        ),
    ),
    (
        "bank in the path that nobody sets",
        "back: [booster]\n",
        "back: [booster, selector.port]\n",
        (
            "small.yaml:63:16: routes.range.positions.mount_a: the path goes through "
            "selector.port, but neither this position nor the route sets a throw of that bank; "
            "add {selector: {port: ...}}"
        ),
    ),
    (
        "bank that one position does not set",
        "short: {selector: {port: short}}",
        "short: {selector: {sense: mount_a}}",
        (
            "small.yaml:52:14: routes.middle.positions.short: the path goes through "
            "selector.port, but neither this position nor the route sets a throw of that bank; "
            "add {selector: {port: ...}}"
        ),
    ),
    (
        "bank in the path of a route without positions",
        "    positions:\n      open: {selector: {port: open}}\n"
        "      short: {selector: {port: short}}\n",
        "",
        (
            "small.yaml:46:34: routes.middle.out[3]: the path goes through selector.port, but the "
            "route sets no throw of that bank; add it under the route's switch: "
            "{selector: {port: ...}}"
        ),
    ),
]
