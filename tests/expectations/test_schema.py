"""The reference of the file's keys."""

from __future__ import annotations

import tomllib
from dataclasses import fields
from fractions import Fraction

import pytest
from support.key_reference import KeyRow, describe

from buslens.expectations import model
from buslens.expectations.load import parse_expectations
from buslens.expectations.schema import KINDS, RULE, STEP

ROLES = """
[roles.door_open]
signal = "A.A"
states = { open = 1, closed = 0 }
[roles.ignition]
signal = "A.B"
states = { off = 0, on = 1 }
[roles.lock_enable]
signal = "A.C"
states = { off = 0, on = 1 }
[roles.unlock_feedback]
signal = "A.D"
states = { locked = 0, unlocked = 1 }
[roles.data_feedback]
signal = "A.E"
states = { locked = 0, unlocked = 1 }
[roles.supply_voltage]
signal = "A.F"
unit = "V"
"""
RECORDS = {
    "sequence": model.Sequence,
    "pulse": model.Pulse,
    "never": model.Never,
    "agree": model.Agree,
    "alive": model.Alive,
    "range": model.Range,
    "precedes": model.Precedes,
}


class TestDescribe:
    """The reference tells every key that a file may have, with an example that works."""

    @pytest.mark.parametrize("row", describe(), ids=lambda row: f"{row.table}: {row.key}")
    def test_every_row_is_complete(self, row: KeyRow) -> None:
        assert row.meaning
        assert row.type
        assert row.required != bool(row.default)
        assert "\n" not in "".join(map(str, row))

    def test_keys_are_listed_once(self) -> None:
        keys = [(row.table, row.key) for row in describe()]
        assert len(keys) == len(set(keys))

    @pytest.mark.parametrize("kind", KINDS)
    def test_the_examples_of_a_kind_make_a_rule(self, kind: str) -> None:
        """Every key of a kind with its example, all together, is a rule with all its fields filled."""
        lines = [f'kind = "{kind}"'] + [
            f"{key.name} = {key.example}" for key in KINDS[kind].values() if key.name != "kind"
        ]
        text = "format = 1\n" + ROLES + "[[rules]]\n" + "\n".join(lines) + "\n"
        if kind == "sequence":
            step = '{ name = "enable on", await = "lock_enable becomes on", within = "400 ms" }, '
            keys = [f"{key.name} = {key.example}" for key in STEP.values()]
            text = text.replace("steps = [{", f"steps = [{step}{{ {', '.join(keys)} }}, {{").replace(
                'lock_enable becomes on", within = "400 ms" }]', 'lock_enable becomes off", within = "400 ms" }]'
            )
            text = text.replace(
                '{ name = "enable on", await = "lock_enable becomes off"', '{ name = "c", await = "ignition is on"'
            )
        (rule,) = parse_expectations(text.encode(), "x.toml").rules
        assert type(rule) is RECORDS[kind]
        for field in fields(rule):
            assert getattr(rule, field.name) not in (None, "", ()), field.name

    def test_examples_of_a_role(self) -> None:
        rows = [row for row in describe() if row.table == "roles.NAME" and row.key not in {"unit", "reply"}]
        body = "\n".join(f"{row.key} = {row.example}" for row in rows)
        (role,) = parse_expectations(f"format = 1\n[roles.r]\n{body}\n".encode(), "x.toml").roles.values()
        assert role.states == {"off": ("off", "accessory"), "on": ("run", 3)}
        assert (role.timeout, role.lag_ns) == (300_000_000, 10_000_000)

    def test_examples_of_a_reply(self) -> None:
        rows = [row for row in describe() if row.table == "reply.NAME"]
        (example,) = (row.example for row in describe() if row.key == "reply" and row.table == "roles.NAME")
        body = "\n".join(f"{row.key} = {row.example}" for row in rows)
        text = f'format = 1\n[reply.{example[1:-1]}]\n{body}\n[roles.r]\nreply = {example}\nunit = "V"\n'
        (role,) = parse_expectations(text.encode(), "x.toml").roles.values()
        assert role.reply is not None
        assert (role.reply.bit, role.reply.n_bits, role.reply.factor) == (6, 2, Fraction(1, 10))

    def test_examples_of_the_file(self) -> None:
        rows = {row.key: row.example for row in describe() if row.table == "file"}
        assert len(tomllib.loads(f"definitions = {rows['definitions']}")["definitions"]) == 2
        names = "format definitions handshake to_decide sleeps align read_before reply roles rules"
        assert list(rows) == names.split()

    def test_examples_of_align(self) -> None:
        """They are what the file is read by; shared events and an offset are two ways, of which a file has one."""
        rows = {row.key: row.example for row in describe() if row.table == "align"}
        names = ("lock_enable", "enable_at_lock")
        roles = "".join(f'[roles.{role}]\ncolumn = "X"\nstates = {{ off = 0, on = 1 }}\n' for role in names)
        for left_out in ("same", "offset"):
            body = "\n".join(f"{key} = {example}" for key, example in rows.items() if key != left_out)
            align = parse_expectations(f"format = 1\n[align]\n{body}\n{roles}".encode(), "x.toml").align
            assert align is not None
            assert (align.apart_ns, align.doubt_ns) == (10_000_000, 20_000_000)
            assert (len(align.same), align.offset_ns) == ((0, 1_500_000_000) if left_out == "same" else (1, None))

    def test_every_field_of_a_rule_has_a_key(self) -> None:
        """A field that no file can fill would be a promise that nobody can use."""
        for kind, record in RECORDS.items():
            names = {field.name.removesuffix("_").removesuffix("_ns") for field in fields(record)}
            # The place of a rule is called its source, so that a J1939 source is called an address.
            keys = {"source" if name == "address" else name for name in names - {"source", "places"}}
            assert keys == set(KINDS[kind]) - {"kind"}
            assert set(RULE) <= set(KINDS[kind])
