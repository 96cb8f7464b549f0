"""The parts of a service that outlive a call: made from the settings, started and closed together."""

from __future__ import annotations

from dataclasses import dataclass

from anyio import to_thread

from cds.fhir_client.client import FhirClient
from cds.fhir_client.smart_launch import SmartLauncher
from cds.hooks.engine.card_suppression import HookMemory
from cds.observability.logging import log
from cds.observability.metrics import Metrics
from cds.security.jwt_auth import Trust
from cds.security.pseudonymisation import Secrecy
from cds.security.sealed_links import LinkSeal
from cds.security.smart_session import SmartSessions
from cds.security.ssrf_guard import listed_networks
from cds.settings import Settings
from cds.storage.audit_log import Audit
from cds.storage.card_repository import CardMemory
from cds.storage.database import Store, StoreDown
from cds.storage.decision_log import DecisionRecords
from cds.storage.group_writer import GroupWriter
from cds.storage.jti_replay_cache import StoredReplay
from cds.storage.rule_feedback import RuleFeedback, feedback_on
from cds.storage.silent_log import SilentLog
from cds.web.decision_events import Watch
from cds.web.dependencies import Clock, utc_now


@dataclass(frozen=True)
class Parts:
    """Store, trust, reading from FHIR servers, and what watches."""

    store: Store
    writer: GroupWriter
    trust: Trust
    fhir: FhirClient
    cards: CardMemory
    memory: HookMemory
    silent: SilentLog | None
    audit: Audit
    metrics: Metrics
    watch: Watch
    links: LinkSeal
    sessions: SmartSessions
    launcher: SmartLauncher | None

    @classmethod
    def made(cls, settings: Settings, clock: Clock = utc_now) -> Parts:
        """The parts that ``settings`` describe; ``clock`` gives the present moment.

        Raises NuqueError of the part whose settings cannot be used.
        """
        metrics = Metrics()
        secrecy = Secrecy(settings, made_up=settings.trust == "open")
        store = Store(settings)

        def degraded(error: StoreDown) -> None:
            metrics.store_failed("replay")
            log.warning("used tokens are remembered by this process only", reason=str(error))

        writer = GroupWriter(store, settings, metrics)
        cards, fhir = CardMemory(store, secrecy, writer), FhirClient(settings)
        trust = Trust(
            settings,
            StoredReplay(store, on_degraded=degraded),
            public_url=settings.public_url,
            private_networks=listed_networks(settings.private_networks, "NUQUE_PRIVATE_NETWORKS"),
        )
        fhir.check_narrowed(trust.clients.values())
        return cls(
            store=store,
            writer=writer,
            trust=trust,
            fhir=fhir,
            cards=cards,
            memory=HookMemory(cards, secrecy, metrics, settings.silent_repeat_hours),
            silent=SilentLog(writer, secrecy) if settings.silent_mode else None,
            audit=Audit(writer),
            metrics=metrics,
            watch=Watch(metrics, secrecy, DecisionRecords(store, secrecy)),
            links=LinkSeal(secrecy.derived("sealed links"), settings.link_hours),
            sessions=SmartSessions(LinkSeal(secrecy.derived("smart sessions"), settings.link_hours), clock),
            launcher=SmartLauncher(settings) if settings.smart_clients else None,
        )

    def rule_feedback(self, rule: str, tenant: str | None) -> RuleFeedback:
        """What became of the cards of ``rule``, of one ``tenant`` or of all (None). Raises StoreDown."""
        return feedback_on(self.store, rule, tenant)

    def store_problem(self) -> str | None:
        """Whether the store can be used (for readiness, which anybody may ask: details go to the log)."""
        problem = self.store.problem()
        if problem is None:
            return None
        log.warning("store not ready", reason=problem)
        return "the store cannot be used, and the log says why; decisions go on, feedback is refused until it can"

    def key_sets_problem(self) -> str | None:
        """Which key sets are not at hand (for readiness)."""
        missing = self.trust.missing_key_sets()
        return f"no key set from {', '.join(sorted(set(missing)))}" if missing else None

    async def start(self, *, in_a_hurry: bool = False) -> None:
        """Open the store, and fetch key sets; ``in_a_hurry`` where calls wait for it, which do not need the store to be open."""
        if in_a_hurry:
            await to_thread.run_sync(self.store.try_to_open)
        else:
            await to_thread.run_sync(self.store_problem)
        await self.trust.start()

    async def aclose(self) -> None:
        """Write what waits, and close every connection."""
        await to_thread.run_sync(self.writer.close)
        await self.fhir.aclose()
        await self.trust.aclose()
        self.store.close()
