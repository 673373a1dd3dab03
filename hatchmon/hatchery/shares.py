"""Several hatchmons on one broker, each with a share of the cones: what one claims, and what two must not."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass

from hatchmon.hatchery.cone_list import NoCones, cones_of, in_words, written
from hatchmon.hatchery.payload import Unreadable, read_document
from hatchmon.hatchery.wording import printable

CLAIM_VERSION = 1
LARGEST_CLAIM = 131_072  # 2000 cones of the longest names fit


@dataclass(frozen=True, slots=True)
class Claim:
    """What a hatchmon looks after. ``holder`` tells two of one name apart; ``since``: when it began, for the
    keeper."""

    share: str
    holder: str
    cones: frozenset[str]
    since: str

    def text(self, nonce: str) -> bytes:
        """The claim as published; ``nonce`` makes it known again among others of the same claim."""
        said = {
            "version": CLAIM_VERSION,
            "cones": written(self.cones),
            "since": self.since,
            "nonce": nonce,
        }
        return json.dumps(said).encode()


def read_claim(share: str, holder: str, payload: bytes) -> Claim:
    """What somebody claims on the topic of ``share`` and ``holder``. Raises Unreadable."""
    said = read_document(payload, LARGEST_CLAIM)
    if not isinstance(said, dict) or said.get("version") != CLAIM_VERSION:
        raise Unreadable(f"not a claim of version {CLAIM_VERSION}")
    cones, since = said.get("cones"), said.get("since")
    if not isinstance(cones, list) or not all(isinstance(each, str) for each in cones):
        raise Unreadable("cones is not a list of names and ranges")
    try:
        names = frozenset(cones_of(cones))
    except NoCones as why:
        raise Unreadable(printable(f"cones[{why.index}] {why}")) from None
    if not isinstance(since, str) or len(since) > 40 or not since.isprintable():
        raise Unreadable("since is not a time")
    return Claim(share, holder, names, since)


def cones_words(claim: Claim) -> str:
    """What a share has, for the keeper."""
    return f"{len(claim.cones)} cones: {in_words(claim.cones)}"


def conflict_of(own: Claim, others: Iterable[Claim], whole_site: bool) -> str | None:
    """Why two may not go on like that, as sentences for the keeper; None where nothing is in the way.

    ``whole_site``: a hatchmon without a share is online, which hears every cone.
    """
    if whole_site:
        return (
            f"A hatchmon without [share] looks after every cone of this site, those of {own.share} as well. "
            "Stop it (sudo systemctl disable --now hatchmon), or give it a share of its own."
        )
    for other in sorted(others, key=lambda each: (each.share, each.holder)):
        if other.share == own.share:
            return (
                f"Another hatchmon is share {own.share} already ({cones_words(other)}; since {other.since}). "
                "Give one of the two another share.name and other cones." + _gone(other)
            )
        both = own.cones & other.cones
        if both:
            has = "it" if len(both) == 1 else "them"
            return (
                f"{in_words(both)}: share {other.share} looks after {has} as well as {own.share} "
                f"({len(both)} of our {len(own.cones)} cones; since {other.since}). Take {has} out of "
                "share.cones of one of the two, and restart that one first." + _gone(other)
            )
    return None


def _gone(other: Claim) -> str:
    return f" If the other one is gone for good: hatchmon check --clear {other.share}"


def not_ours_words(cone: str, share: str, cones: Iterable[str], elsewhere: str | None) -> str:
    """Why nothing can be asked for a cone that is not of this ``share``; ``elsewhere``: that which has it."""
    said = f"{cone} is not one of the cones of share {share} ({in_words(cones)})"
    if elsewhere is not None:
        return (
            f"{said}: share {elsewhere} looks after it. Ask there, with that share's settings: "
            f"--config /etc/hatchmon/{elsewhere}.toml"
        )
    return f"{said}, and no other share is known to have it. Add it to share.cones, then restart hatchmon."
