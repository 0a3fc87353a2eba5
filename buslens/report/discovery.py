"""What was found in a capture without definitions, and what a first expectations file holds: text and JSON."""

from collections.abc import Iterator
from functools import partial
from typing import Any, Final

from buslens.checks.findings import Verdict
from buslens.definitions.model import ByteOrder
from buslens.discovery.candidates import BitField, Candidate, Response
from buslens.discovery.coincidence import ToggleDirection
from buslens.discovery.limits import NORMAL_FROM
from buslens.discovery.roles import HANDSHAKE
from buslens.discovery.seek import SeekResult
from buslens.discovery.start import StartResult
from buslens.report.document import SCHEMA, seconds_of
from buslens.report.formatting import DOUBT_SIGN, MET_SIGN, WRONG_SIGN, clean, seconds
from buslens.report.paragraphs import MARGIN, Paragraph, StyledText, TextStyle, item, paragraph, render, section
from buslens.report.safety_notes import RECORDING_CAUTIONS, safety_notes
from buslens.units import NS_PER_MS

_FEW_MARKS: Final = 3


_item = partial(item, ink=TextStyle.STRONG)


def sought_text(found: SeekResult, *, width: int | None = None, painted: bool = False) -> str:
    """Return the candidates for each action as text, the verdict first."""
    return render(_report(found), width=width, painted=painted)


def _report(found: SeekResult) -> Iterator[Paragraph]:
    yield paragraph(_conclusion(found), hang=MARGIN)
    yield paragraph(StyledText(clean(found.path), TextStyle.STRONG))
    length = seconds(found.end_ns - found.first_ns)
    yield paragraph(
        f"{found.n_tried:,} bits that changed were tried over {length}; {found.n_busy:,} more change all the time"
        " or by the clock (counters, checks) and were not",
        indent=MARGIN,
    )
    yield paragraph(
        StyledText(
            f"marks may be off by {found.tolerance_ns // NS_PER_MS} ms either way, and a bit may follow"
            f" {found.delay_ns // NS_PER_MS} ms late; bytes count from 0, bits from the least significant, 0",
            TextStyle.FAINT,
        ),
        indent=MARGIN,
    )
    told: list[Candidate] = []
    for index, action in enumerate(found.actions):
        yield paragraph()
        count = len(action.times_ns)
        yield paragraph(StyledText(clean(action.words), TextStyle.STRONG), f", {count} mark{'' if count == 1 else 's'}")
        sure = [it for it in found.candidates[index] if it.is_surprising]
        unsure = [it for it in found.candidates[index] if not it.is_surprising][: 0 if sure else 2]
        for candidate in (*sure, *unsure):
            yield from _candidate(found, candidate, index, is_told=candidate in told)
            if len(sure) > 1 and candidate in sure:
                yield paragraph(_first_or_consequence(sure, candidate, index), indent=MARGIN)
            told.append(candidate)
        if not sure:
            advice = "no bit coincides with these marks more than chance would"
            more = "; repeat the action and mark it at least four times" if count <= _FEW_MARKS else ""
            yield paragraph(f"{DOUBT_SIGN}  ", advice + more, indent=1, hang=MARGIN)


def _candidate(found: SeekResult, candidate: Candidate, action: int, *, is_told: bool) -> Iterator[Paragraph]:
    mark = MET_SIGN if candidate.is_surprising else DOUBT_SIGN
    ordered = sorted(candidate.responses, key=lambda it: it.action != action)
    yield paragraph(
        StyledText(f"{mark:<{MARGIN - 1}}", TextStyle.STRONG),
        StyledText(place(candidate.field), TextStyle.STRONG),
        ", as above" if is_told else "",
        indent=1,
        hang=MARGIN,
    )
    if is_told:
        return
    for response in ordered:
        yield paragraph(response_text(found, response), indent=MARGIN)
    other = candidate.other_changes
    changes = "no other change" if not other else f"{other} other change{'' if other == 1 else 's'}"
    yield paragraph(f"{changes} that way; {chance(candidate.corrected)}", indent=MARGIN)


def _first_or_consequence(sure: list[Candidate], candidate: Candidate, action: int) -> str:
    """Return whether a field moves first and alone at an action, or follows the one that does."""
    first = sure[0]
    if candidate is first:
        alone = ", and at nothing else" if first.is_alone(action) else ""
        return f"it moves first{alone}: more likely what was acted on than its consequence"
    later = round((candidate.moves_ns(action) - first.moves_ns(action)) / NS_PER_MS)
    if later > 0:
        return f"it moves about {later} ms later than {place(first.field)}: perhaps its consequence"
    return f"it also changes without {place(first.field)}: perhaps something else moves it"


def place(field: BitField) -> str:
    """Return where a field is: channel, identifier, bytes and bits, counted from 0 and from the least significant."""
    origin = field.origin
    number = f"{origin.can_id:08X}" if origin.is_extended else f"{origin.can_id:03X}"
    low, high = field.bits[0], field.bits[-1]
    if len(field.bits) == 1:
        where = f"byte {low // 8} bit {low % 8}"
    elif low // 8 == high // 8:
        where = f"byte {low // 8} bits {low % 8} to {high % 8}"
    else:
        order = "Intel" if field.order is ByteOrder.INTEL else "Motorola"
        where = f"byte {low // 8} bit {low % 8} to byte {high // 8} bit {high % 8} ({order})"
    return f"{clean(origin.channel)} {number} {where}"


def chance(corrected: float) -> str:
    """Return in words how likely a coincidence like this is by luck.

    >>> chance(0.4), chance(0.02), chance(3e-7)
    ('may well be chance (40 %)', 'by luck 1 time in 50', 'by luck 1 time in 3,300,000')
    """
    if corrected >= 0.05:
        return f"may well be chance ({round(100 * corrected)} %)"
    if corrected < 1e-12:
        return "by luck less than 1 time in 1,000,000,000,000"
    times = 1 / corrected
    size = 10 ** max(len(str(int(times))) - 2, 0)
    return f"by luck 1 time in {int(times // size * size):,}"


def response_text(found: SeekResult, response: Response) -> str:
    """Return what a field does at the marks of an action."""
    words = clean(found.actions[response.action].words)
    if response.before is None or response.after is None or response.lag_ns is None:
        return f"{words}: changes at none of {response.marks} marks"
    least, usual, most = (round(lag / NS_PER_MS) for lag in response.lag_ns)
    change = f"{response.before} to {response.after}"
    if response.way is ToggleDirection.EITHER:
        change = f"changes (most often {change})"
    when = f"{usual:+d} ms from the mark" + (f" ({least:+d} to {most:+d} ms)" if least != most else "")
    return f"{words}: {change} at {response.hits} of {response.marks} marks, {when}"


def _conclusion(found: SeekResult) -> StyledText:
    sure = [any(it.is_surprising for it in candidates) for candidates in found.candidates]
    if all(sure):
        return StyledText(
            "Found: every action has a bit that follows it; check it with the next capture.", TextStyle.STRONG
        )
    missing = [clean(action.words) for action, is_sure in zip(found.actions, sure, strict=True) if not is_sure]
    return StyledText(f"Undecided: nothing follows {', nor '.join(missing)} more than chance would.", TextStyle.STRONG)


# --- a first expectations file --------------------------------------------------------------------------


def started_text(made: StartResult, path: str, *, width: int | None = None, painted: bool = False) -> str:
    """Return what was written to a first expectations file, and above it what is left to decide."""
    return render(_started(made, path), width=width, painted=painted)


def _started(made: StartResult, path: str) -> Iterator[Paragraph]:
    few = any(0 < len(spans) < NORMAL_FROM for draft in made.drafts for spans in draft.seen.values())
    guesses = " Limits that were measured once or twice are guesses." if few else ""
    open_ = len(made.missing) + len(made.outliers)
    left = f" {open_} thing{'' if open_ == 1 else 's'} left to decide." if open_ else ""
    written = StyledText(f"{clean(path)} is written:", TextStyle.STRONG)
    yield paragraph(written, f" go through it before you trust it.{guesses}{left}", hang=MARGIN)
    yield paragraph()
    yield paragraph(StyledText("Roles", TextStyle.STRONG))
    for role, proposal in made.proposals.items():
        if proposal.best is None and role not in HANDSHAKE:
            continue
        signal = "" if proposal.best is None else clean(proposal.best.name)
        if proposal.is_certain:
            yield _item(MET_SIGN, f"{role}: {signal}{f' ({clean(proposal.doubt)})' if proposal.doubt else ''}")
        else:
            yield _item(DOUBT_SIGN, f"{role}: {f'{signal}? ' if signal else ''}{clean(proposal.doubt)}")
    yield paragraph()
    yield paragraph(StyledText("Rules", TextStyle.STRONG))
    for draft in made.drafts:
        counts = [len(spans) for spans in draft.seen.values()]
        measured = f", measured {max(counts)} time{'' if max(counts) == 1 else 's'}" if counts else ""
        if draft.problem:
            yield _item(DOUBT_SIGN, f"{clean(draft.name)}: {clean(draft.problem)}")
        else:
            yield _item(MET_SIGN, f"{clean(draft.name)}{measured}")
    if made.missing:
        yield from safety_notes(RECORDING_CAUTIONS)
    for title, texts in (("Could not be learned", made.missing), ("Look at these captures", made.outliers)):
        yield from section(title, (_item(DOUBT_SIGN, clean(text)) for text in texts))
    yield paragraph()
    yield paragraph(StyledText("Tried on", TextStyle.STRONG))
    for tried in made.tried:
        sign = {Verdict.AS_EXPECTED: MET_SIGN, Verdict.FAULTY: WRONG_SIGN}.get(tried.verdict, DOUBT_SIGN)
        own = "" if tried.is_own else ", not learned from"
        yield _item(sign, f"{clean(tried.path)}{own}: {tried.verdict.value.replace('_', ' ')}; {clean(tried.summary)}")


# --- JSON -----------------------------------------------------------------------------------------------


def sought_document(found: SeekResult) -> dict[str, Any]:
    """Return the candidates as plain data; times are seconds."""
    return {
        "schema": SCHEMA,
        "path": found.path,
        "frames": None if found.stats is None else found.stats.frames,
        "end": seconds_of(found.end_ns - found.first_ns),
        "tolerance": seconds_of(found.tolerance_ns),
        "delay": seconds_of(found.delay_ns),
        "bits_tried": found.n_tried,
        "bits_given_up": found.n_busy,
        "actions": [
            {
                "words": action.words,
                "marks": [seconds_of(time_ns) for time_ns in action.times_ns],
                "candidates": [_entry(found, it) for it in candidates],
            }
            for action, candidates in zip(found.actions, found.candidates, strict=True)
        ],
    }


def _entry(found: SeekResult, candidate: Candidate) -> dict[str, Any]:
    field = candidate.field
    return {
        "channel": field.origin.channel,
        "can_id": field.origin.can_id,
        "is_extended": field.origin.is_extended,
        "bits": list(field.bits),
        "start": field.start,
        "length": len(field.bits),
        "byte_order": ("intel" if field.order is ByteOrder.INTEL else "motorola") if field.is_order_certain else None,
        "other_changes": candidate.other_changes,
        "p": candidate.p,
        "p_corrected": candidate.corrected,
        "surprising": candidate.is_surprising,
        "responses": [
            {
                "action": found.actions[response.action].words,
                "change": response.way.name.lower(),
                "hits": response.hits,
                "marks": response.marks,
                "before": response.before,
                "after": response.after,
                "lag": None if response.lag_ns is None else [seconds_of(lag) for lag in response.lag_ns],
            }
            for response in candidate.responses
        ],
    }
