"""One module for each CDS Hooks service; ``SERVICES`` lists them all."""

from cds.hooks.engine.service import HookService
from cds.hooks.services import encounter_discharge, order_select, order_sign, patient_view

SERVICES: tuple[HookService, ...] = (
    order_select.SERVICE,
    order_sign.SERVICE,
    patient_view.SERVICE,
    encounter_discharge.SERVICE,
)
