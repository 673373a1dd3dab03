"""What a first visitor would else wait for: templates made ready, and every lot learned."""

from __future__ import annotations

import logging
import threading

from hatchmon.adapters.store import StoreError
from hatchmon.app.pages.site import Site

log = logging.getLogger(__name__)

EVERY_S = 5.0


def work_beforehand(site: Site) -> None:
    """Do so in a thread of its own, now and whenever the record has changed, until the page closes."""
    threading.Thread(target=_work, args=(site,), name="beforehand", daemon=True).start()


def _work(site: Site) -> None:
    site.make_templates()
    while not site.closing.is_set():
        # The engine learns the same at its start; after its first turn most of it is there.
        if site.snapshot is not None:
            try:
                with site.reading() as store:
                    site.past.learn(store)
            except StoreError as error:
                log.info("not learned beforehand: %s", error)
        site.closing.wait(EVERY_S if site.snapshot is not None else 0.5)
