"""What pages are given: everything they need of the rest of the program, as values and small objects."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, field

from dashboard.live_service import Live
from dashboard.reviewer import Reviewer
from dashboard.shop import Shop
from dashboard.store_place import StorePlace
from dashboard.web.accounts import Accounts
from dashboard.web.planner import Planner
from logger.clock import Clock, SystemClock


@dataclass(frozen=True)
class Services:
    """What `make_app` hands to each page's `register`.

    Attributes:
        shop: the workshop's folder. planner: plans heats and keeps the answers. clock: what time it is.
        accounts: who may sign in; None: nobody needs to, which is only for this computer itself.
        live: the benches that this program records; None: it records none. place: of the records; None: the shop's.
        reviewer: of their heats; None: one with a process of its own.
    """

    shop: Shop
    planner: Planner = field(default_factory=Planner)
    clock: Clock = field(default_factory=SystemClock)
    accounts: Accounts | None = None
    live: Live | None = None
    place: StorePlace | None = None
    reviewer: Reviewer | None = None

    def today(self) -> datetime.date:
        """The date on the workshop's wall."""
        return self.clock.utc().astimezone().date()
