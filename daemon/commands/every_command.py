"""Every command: where its code is, and what it does in one sentence.

The help and a shell's completion are made of this table alone, so that neither loads
what a command needs. Groups follow the day. The function of `hold end` is `hold_end`.
"""

from collections.abc import Mapping
from typing import NamedTuple

from daemon.traceability.papers import DOCUMENTS


class One(NamedTuple):
    """A command: its module in this room, and what it does."""

    module: str
    says: str


class Several(NamedTuple):
    """Commands under one name."""

    says: str
    commands: Mapping[str, One]


Entries = Mapping[str, One | Several]

SECTIONS: Mapping[str, Entries] = {
    "Set up": {
        "init": One("settings", "Write the settings by answering questions."),
        "config": Several(
            "Check the settings.",
            {"check": One("settings", "Say what the settings mean.")},
        ),
        "demo": One("demo", "Watch a simulated bench find a bad reel."),
        "completion": One("settings", "Let a shell complete our commands."),
        "daemon": One("start", "Keep the records and measure until stopped."),
        "dashboard": One("start", "Show the screens in a browser."),
    },
    "Measure": {
        "build": Several(
            "Keep builds: units that are made together.",
            {
                "open": One("builds_and_reels", "Begin a build."),
                "list": One("builds_and_reels", "List builds and their state."),
                "edit": One("mending", "Correct the planned units of a build."),
                "boards": One("builds_and_reels", "Record boards not measured yet."),
            },
        ),
        "reel": Several(
            "Keep reels: which parts went where.",
            {
                "add": One("builds_and_reels", "Record a reel that came in."),
                "fit": One("builds_and_reels", "Record which part a reel feeds."),
                "list": One("mending", "List reels, with what came with them."),
                "sample": One(
                    "builds_and_reels", "Say how many loose parts to measure."
                ),
                "check": One("builds_and_reels", "Accept or reject by loose parts."),
                "edit": One("mending", "Correct what is recorded of a reel."),
            },
        ),
        "fitting": Several(
            "Show which reel each part comes from.",
            {
                "list": One("mending", "List which reel each part comes from."),
                "undo": One("mending", "Take back which part a reel feeds."),
            },
        ),
        "unit": Several(
            "Correct what is recorded of a unit.",
            {"edit": One("mending", "Correct a serial, or the build of a unit.")},
        ),
        "label": One("labels", "Draw labels for units."),
        "bench": Several(
            "Check and test the bench, turn it off and on.",
            {
                "find": One("bench_instruments", "List instruments that answer."),
                "try": One("bench_instruments", "Read every instrument once."),
                "talk": One("bench_instruments", "Send one line by hand."),
                "describe": One("bench_instruments", "Write a profile by trying."),
                "check": One("bench_checks", "Run the check standard now."),
                "end": One("bench_checks", "End the session with a check."),
                "answer": One("bench_checks", "Answer what the bench asks."),
                "compare": One("bench_checks", "Read one range with a second meter."),
                "off": One("bench_source", "Turn the source off now."),
                "on": One("bench_source", "Allow measuring again."),
                "pace": One("bench_selftest", "Show where the time of a unit goes."),
                "selftest": One(
                    "bench_selftest", "Test the bench on a simulated circuit."
                ),
            },
        ),
        "gauge": Several(
            "Study how far people and the bench agree.",
            {
                "plan": One("gauge", "Plan a gauge study; its order is drawn."),
                "read": One("gauge", "Read on in the order that was drawn."),
                "show": One("gauge", "Say what a gauge study found."),
                "list": One("gauge", "List gauge studies, the latest last."),
            },
        ),
        "measure": One("measure", "Measure units, one after another."),
        "import": One("import_sheet", "Judge a spreadsheet of measured units."),
    },
    "Decide": {
        "status": One("status", "Say what to do now, and why."),
        "prove": One("prove", "Settle a finding by measuring."),
        "hold": Several(
            "Show, place and end holds: what may not ship.",
            {
                "list": One("holds", "List what is held, and why."),
                "place": One("holds", "Place a hold by hand."),
                "end": One("holds", "End holds, by a named person."),
            },
        ),
        "doubt": Several(
            "Show and end doubts about the bench.",
            {
                "list": One("doubts", "List runs in doubt, and why."),
                "end": One("doubts", "End a doubt, by a named person."),
            },
        ),
        "instruments": Several(
            "Keep calibrations, and what rests on them.",
            {
                "list": One("instruments", "List instruments, with their calibration."),
                "rests": One("instruments", "Say which results rest on an instrument."),
                "calibrated": One(
                    "instruments", "Note a calibration; an error puts runs in doubt."
                ),
            },
        ),
        "standard": Several(
            "Keep the values of check standards.",
            {
                "list": One("standard", "List check standards and their values."),
                "assign": One("standard", "Assign a check standard other values."),
            },
        ),
        "rework": Several(
            "Replace, regrade or trim one unit.",
            {
                "replace": One("rework", "Record that a part was replaced."),
                "regrade": One("rework", "Sell a range to a wider limit."),
                "trim": One("rework", "Find the resistor that trims a range."),
                "list": One("rework", "List reworks, before and after."),
            },
        ),
        "alerts": Several(
            "Show, note and test messages.",
            {
                "list": One("alerts", "List messages nobody has noted."),
                "ack": One("alerts", "Take note of messages."),
                "test": One("alerts", "Send a test message."),
            },
        ),
    },
    "Ship": {
        "ship": One("shipping", "Record that units leave, or why they must not."),
        "shipment": Several(
            "Show what left, and take a mistake back.",
            {
                "list": One("mending", "List units that left, the latest first."),
                "undo": One("mending", "Take back that a unit left."),
            },
        ),
        "return": One("shipping", "Record that a unit came back."),
        "report": Several(
            "Write a document: PDF, HTML or PNG.",
            {name: One("reports", one.says) for name, one in DOCUMENTS.items()},
        ),
        "card": One("recall", "Give a unit's correction factors."),
    },
    "Look back": {
        "trace": One("recall", "Follow a unit, a reel or a build both ways."),
        "contain": One("recall", "List every unit that a finding concerns."),
        "budget": One("budget", "Say what makes a verdict unsure."),
        "variance": One("variation", "Split how the units scatter."),
        "capability": One("variation", "Say how well a range keeps its limit."),
        "whatif": One("whatif", "Ask how many units to measure next time."),
        "replay": One("replay", "Try a plan on what you measured so far."),
    },
    "Keep": {
        "ledger": Several(
            "Show and verify who decided what.",
            {
                "list": One("ledger", "List every decision, oldest first."),
                "verify": One("ledger", "Prove that no decision was changed."),
            },
        ),
        "sharing": Several(
            "Share one record between several benches.",
            {
                "try": One("sharing", "Reach the shared database once."),
                "compare": One("sharing", "Say how the benches compare."),
                "list": One("sharing", "List what could not be shared, and why."),
            },
        ),
        "access": Several(
            "Let other programs ask, record or decide.",
            {
                "give": One("access", "Give another program its own token."),
                "list": One("access", "List which programs have a token."),
                "revoke": One("access", "Take tokens back."),
            },
        ),
        "doctor": One("doctor", "Say what is wrong here, and how to mend it."),
        "export": One("export", "Write the results into a table."),
        "backup": One("backups", "Write the settings and all records into one file."),
        "restore": One("backups", "Put back what is in such a file."),
        "move": One("backups", "Move everything to another PC."),
        "calibrate": One("detector_limit", "Work out the product's own threshold."),
    },
}
