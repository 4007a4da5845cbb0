"""Every command: where its code is, and what it does in one sentence.

The help and a shell's completion are made of this table alone, so that neither loads
what a command needs. Groups follow the day.
"""

from collections.abc import Mapping
from typing import NamedTuple


class One(NamedTuple):
    """A command: its module in this room and its name there."""

    where: str
    says: str


class Several(NamedTuple):
    """Commands under one name."""

    says: str
    commands: Mapping[str, One]


Entries = Mapping[str, One | Several]

SET_UP: Entries = {
    "init": One("settings:init", "Write the settings by answering questions."),
    "config": Several(
        "Check the settings.",
        {"check": One("settings:config_check", "Say what the settings mean.")},
    ),
    "demo": One("demo:demo", "Watch a simulated bench find a bad reel."),
    "completion": One("settings:completion", "Let a shell complete our commands."),
    "daemon": One("start:daemon", "Keep the records and measure until stopped."),
    "dashboard": One("start:dashboard", "Show the screens in a browser."),
}

MEASURE: Entries = {
    "build": Several(
        "Keep builds: units that are made together.",
        {
            "open": One("builds_and_reels:build_open", "Begin a build."),
            "list": One("builds_and_reels:build_list", "List builds and their state."),
            "boards": One(
                "builds_and_reels:build_boards", "Record boards not measured yet."
            ),
        },
    ),
    "reel": Several(
        "Keep reels: which parts went where.",
        {
            "add": One("builds_and_reels:reel_add", "Record a reel that came in."),
            "fit": One("builds_and_reels:reel_fit", "Record that a reel is fitted."),
            "check": One(
                "builds_and_reels:reel_check", "Judge loose parts by their label."
            ),
        },
    ),
    "label": One("labels:label", "Draw labels for units."),
    "bench": Several(
        "Check and test the bench, turn it off and on.",
        {
            "find": One(
                "bench_instruments:bench_find", "List instruments that answer."
            ),
            "try": One("bench_instruments:bench_try", "Read every instrument once."),
            "check": One("bench_checks:bench_check", "Run the check standard now."),
            "end": One("bench_checks:bench_end", "End the session with a check."),
            "compare": One(
                "bench_checks:bench_compare", "Read one range with a second meter."
            ),
            "off": One("bench_source:bench_off", "Turn the source off now."),
            "on": One("bench_source:bench_on", "Allow measuring again."),
            "pace": One("bench_selftest:pace", "Show where the time of a unit goes."),
            "selftest": One(
                "bench_selftest:selftest", "Test the bench on a simulated circuit."
            ),
        },
    ),
    "measure": One("measure:measure", "Measure units, one after another."),
    "import": One("import_sheet:import_", "Judge a spreadsheet of measured units."),
}

DECIDE: Entries = {
    "status": One("status:status", "Say what to do now, and why."),
    "prove": One("prove:prove", "Settle a finding by measuring."),
    "hold": Several(
        "Show, place and end holds: what may not ship.",
        {
            "list": One("holds:hold_list", "List what is held, and why."),
            "place": One("holds:hold_place", "Place a hold by hand."),
            "end": One("holds:hold_end", "End a hold, by a named person."),
        },
    ),
    "doubt": Several(
        "Show and end doubts about the bench.",
        {
            "list": One("doubts:doubt_list", "List runs in doubt, and why."),
            "end": One("doubts:doubt_end", "End a doubt, by a named person."),
        },
    ),
    "rework": Several(
        "Replace, regrade or trim one unit.",
        {
            "replace": One("rework:replace", "Record that a part was replaced."),
            "regrade": One("rework:regrade", "Sell a range to a wider limit."),
            "trim": One("rework:trim", "Find the resistor that trims a range."),
            "list": One("rework:list_", "List reworks, before and after."),
        },
    ),
    "alerts": Several(
        "Show, note and test messages.",
        {
            "list": One("alerts:list_", "List messages nobody has noted."),
            "ack": One("alerts:ack", "Take note of messages."),
            "test": One("alerts:test", "Send a test message."),
        },
    ),
}

SHIP: Entries = {
    "ship": One("shipping:ship", "Record that units leave, or why they stay."),
    "return": One("shipping:return_", "Record that a unit came back."),
    "report": Several(
        "Write a document: PDF, HTML or PNG.",
        {
            "unit": One("reports:unit", "Write the test record of a unit."),
            "build": One("reports:build", "Write the release record of a build."),
            "sheet": One("reports:sheet", "Write the sheet for the bench."),
            "supplier": One("reports:supplier", "Write a supplier's claim."),
            "customer": One("reports:customer", "Write the notice on one unit."),
            "customers": One("reports:customers", "Write the notice to all holders."),
        },
    ),
    "card": One("recall:card", "Give a unit's correction factors."),
}

LOOK_BACK: Entries = {
    "trace": One("recall:trace", "Follow a unit, a reel or a build both ways."),
    "contain": One("recall:contain", "List every unit that a finding concerns."),
    "variance": One("variation:variance", "Split how the units scatter."),
    "capability": One("variation:capability", "Say how well a range keeps its limit."),
    "whatif": One("whatif:whatif", "Ask how many units to measure next time."),
}

KEEP: Entries = {
    "ledger": Several(
        "Show and verify who decided what.",
        {
            "list": One("ledger:list_", "List every decision, oldest first."),
            "verify": One("ledger:verify", "Prove that no decision was changed."),
        },
    ),
    "calibrate": One("detector_limit:calibrate", "Work out the detector's limit."),
    "study": Several(
        "Run many simulated stories and count.",
        {
            "detection": One("studies:detection", "Measure how well faults are found."),
            "demo": One("studies:demo", "Tell the demo's story for many seeds."),
            "years": One("studies:years", "Live a year of many simulated makers."),
        },
    ),
}

SECTIONS: Mapping[str, Entries] = {
    "Set up": SET_UP,
    "Measure": MEASURE,
    "Decide": DECIDE,
    "Ship": SHIP,
    "Look back": LOOK_BACK,
    "Keep": KEEP,
}
