"""Findings in the words of the expectations file: `says` of a rule, `label` of a role.

Slots of `says`, each as people write it:

================  ===========================================================
``{sentence}``    the sentence that stands there without `says`
``{measured}``    delay or length, such as ``687 to 733 ms``; ``not measured``
``{limit}``       what is allowed, such as ``50 to 600 ms``; ``no limit``
``{step}``        step of a sequence; the rule's name for other kinds
``{handshake}``   number of the handshake; empty for other kinds
================  ===========================================================
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import lru_cache

from buslens.checks.findings import Finding
from buslens.checks.phrases import span_text, whole_limit_text
from buslens.expectations.model import Role, Rule, Sequence


def reworded(finding: Finding, rule: Rule, roles: Mapping[str, Role]) -> Finding:
    """Return a finding whose sentence is that of the file, where the file has one for its outcome."""
    steps = [step.name for step in rule.steps] if isinstance(rule, Sequence) else []
    sentence = labelled(finding.reason, roles, kept=steps)
    written = rule.says.get(finding.outcome.value)
    if written is not None:
        sentence = written.format(
            sentence=sentence,
            measured="not measured" if finding.delay is None else span_text(finding.delay),
            limit="no limit" if finding.limit is None else whole_limit_text(finding.limit).removeprefix("limit "),
            step=finding.step or finding.rule,
            handshake="" if finding.handshake is None else finding.handshake,
        )
    return finding if sentence == finding.reason else replace(finding, reason=sentence)


def labelled(sentence: str, roles: Mapping[str, Role], kept: Iterable[str] = ()) -> str:
    """Return a sentence with the labels of roles in place of their names, save within what is kept: names of steps."""
    names = tuple((name.replace("_", " "), role.label) for name, role in roles.items() if role.label)
    if not names:
        return sentence
    pattern, words = _replacement((*names, *((name, name) for name in kept)))
    return pattern.sub(lambda match: words[match[0]], sentence)


@lru_cache(64)
def _replacement(names: tuple[tuple[str, str], ...]) -> tuple[re.Pattern[str], Mapping[str, str]]:
    """Return what finds names in a sentence, and what stands in the place of each."""
    words = dict(names)
    # The longest first, so that no name is taken for a part of another.
    listed = "|".join(re.escape(name) for name in sorted(words, key=len, reverse=True))
    return re.compile(rf"(?<![\w-])(?:{listed})(?![\w-])"), words
