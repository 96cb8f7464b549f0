"""Names of broken necks and of dangers of a collar that carry no anatomical word, and names that only look like one.

Written down before the words of the code map were; common practice of emergency, orthopaedic, critical care and nursing
records, no source. The lists marked HELD_BACK were
not tried while the words were chosen.
"""

from __future__ import annotations

import pytest

from cds.fhir.reading.neck_concepts import is_about_the_neck, may_be
from cds.fhir.reading.reader import read
from tests.cds.fhir.reading.sent import AT, ICD, bundle, code_map, patient, ruleset

NAMED = """\
Jefferson fracture; dens fracture; Type II dens fracture; # C5; Fx C2; C2 fx; C5/6 ligament injury
C5/6 instability; C6 burst #; hangman fracture; hangman's fracture; SCIWORA; central cord syndrome; SCI
acute traumatic SCI C5 ASIA A; ACDF C5/6; craniocervical dissociation; AOD; atlas fracture; axis fracture
basilar invagination; Bechterew's disease; DISH; Forestier disease; ank spond; Ludwig's angina; angioedema
retropharyngeal abscess; Densfraktur; HWS-Fraktur; Genickbruch; Halswirbelfraktur; fractura de odontoides
fracture de l'odontoïde; Osteogenesis imperfecta; quadriparesis; dropped head syndrome; facet dislocation
perched facet C5/6; jumped facets; epidural abscess; C3 met; multiple myeloma C2 lesion; Chiari malformation
trach in situ; ETT; NIV; aspiration risk; dysphagia; NPO; NBM; pressure injury chin stage 3; decubitus occiput
pressure ulcer of head; jaw fracture; mandible fracture; Le Fort III; raised ICP; EVD in situ
subdural haematoma; Down syndrome; Trisomy 21; Ehlers-Danlos; AAI; rotatory subluxation; Grisel syndrome
fixed thoracic kyphosis; chin-on-chest deformity; orthopnoea; orthopnea; GSW; hanging; near hanging
cspine fracture; halo; in halo; tétraplégie; Querschnittslähmung"""

HELD_BACK = """\
Fractured dens, displaced; Hangmans #; #C7 lamina; C4 lamina fx; C7 spinous process #; burst fracture C5
C6-C7 facet subluxation; C2-C3 disruption; Jefferson burst fracture of C1; locked facets; tetraparesis
Brown-Sequard syndrome; cranio-vertebral junction anomaly; occipitocervical instability; Morbus Bechterew
maladie de Forestier; Angioödem; Quincke's oedema; parapharyngeal abscess; supraglottitis; HWK 5 Fraktur
Fraktur des Dens axis; Halsmarkläsion; compression médullaire; tetraplejía; fractura de cuello
frattura del collo; fratura do pescoço; złamanie kręgosłupa szyjnego; nekfractuur; nakkebrudd
перелом шейного позвонка; Down's syndrome; trisomie 21; Morbus Down; Larsen syndrome; difficulty swallowing
impaired swallow; nil by mouth; nothing by mouth; Schluckstörung; disfagia; dysphagie
pressure sore behind ear; Dekubitus Grad III okzipital; escarre occipitale; device related pressure injury
broken jaw; # mandible; fractured mandible; LeFort II; Unterkieferfraktur; facial burns; midface fracture
intracranial hypertension; intracranial haemorrhage; extradural hematoma; cerebral oedema
severe traumatic brain injury; TBI; attempted hanging; hanged himself; gunshot wound to the face; stab wound
cannot lie flat; unable to lie flat; intubated, oral ETT; on bilevel ventilation; tracheotomy; facial fractures
smoke inhalation; inhalation injury; syringomyelia; C4 metastasis; kyphoscoliosis severe; head drop
paraplegia; C3-4 listhesis; achondroplasia; rheumatoid arthritis; halo vest; halo crown"""

LATER = """\
C-2 fracture; Fracture C 2; Incomplete cord lesion; Bilateral arm weakness; Numbness of both hands
Acute paresthesia upper limbs; Loss of sensation in legs; Throat laceration; Cut throat; Hyoid fracture; Choking
Foreign body in throat; Respiratory arrest; Anaphylaxis; Unconscious; Reduced level of consciousness; GCS 6
Skin breakdown under collar; Collar sore; OPLL; Discitis; Pott disease; Third trimester pregnancy; 34 weeks pregnant; Trachy
Cardiac arrest; Cardiopulmonary arrest after drowning; Asystole; Apnoea; Burn of respiratory tract; Puncture wound of neck"""
"""Names from lists of problems in emergency departments that were silent."""

NOT_NAMED_LATER = """\
Generalised weakness; Numbness of tooth; Sore throat; Foreign body in left eye; GCS 15; History of anaphylaxis to nuts
Skin breakdown over sacrum; Pregnancy test negative; Weakness of pelvic floor; Vitamin C 2 g daily; Carpal tunnel numbness of hand
Leg weakness, lumbar stenosis L4/5; born at 34 weeks of gestation; Normal level of consciousness; sore foot
Obstructive sleep apnoea; Family history of cardiac arrest; Venepuncture; Foot pulseless; Apnea of prematurity"""

NOT_NAMED = """\
neck of femur fracture; #NOF; atlas of anatomy given; Seen at Atlas Clinic; Bell's palsy; Facial palsy
cervical cancer screening; HALO study participant; halo naevus; C3 complement level
Complement C3 low in acute kidney injury; C1 esterase inhibitor deficiency; left axis deviation
hypothalamic-pituitary axis suppression; Budd-Chiari syndrome; nivolumab therapy; blood pressure check
blood pressure high; epidural analgesia; epidural for labour; dens invaginatus; bone density low; hangover
disc prolapse L5/S1; Down payment; feeling down; step-down unit; facet arthropathy L4/5; trachoma
stable angina; swallowed a coin; barium swallow normal; third molar of mandible impacted; tooth of jaw
obstetric cholestasis (ICP); C50.9 breast cancer with metastasis; hypertension; rheumatoid factor positive
Ebola virus disease (EVD); washing a dish; Jefferson Hospital; fear of falling; chest pain
Spinal stenosis, lumbar; sacral pressure ulcer; heel pressure injury; GSW right thigh; stab wound of forearm
lumbar facet joint injection"""

NOT_NAMED_HELD_BACK = """\
Atlas trial; Jefferson County resident; Ludwig Clinic; Forestier family history; anxiety; aplasie médullaire
cou-de-pied sprain; fracture du col du fémur; colloid cyst; Schenkelhalsfraktur; Querschnittsstudie
fractura de cuello de fémur; raka szyjki macicy; pressure cuff; intraocular pressure raised after injury
peer pressure; C1 inhibitor; C4 complement deficiency; immunoturbidimetric method C3
axis of femur malaligned after fracture; density C2 level; hemoglobin; Hanging basket allergy
needle aspiration of knee; jawad family; step down of insulin; let down reflex; dental implant mandible
facet joint syndrome lumbar; C3 glomerulopathy; hepatitis C2 genotype; T2 diabetes; C64 renal tumour
decubitus ulcer of sacrum; pressure ulcer of left heel; gunshot wound of foot; stabbed in thigh
rheumatoid factor; atlas vaccination card; TB screening; tibia fracture; metabolic syndrome"""


def each(*written: str) -> list[str]:
    return [name.strip() for text in written for line in text.splitlines() for name in line.split(";")]


@pytest.mark.parametrize("words", each(NAMED, HELD_BACK, LATER))
def test_a_danger_under_another_name_is_told(words: str) -> None:
    assert is_about_the_neck({"text": words}, code_map())


@pytest.mark.parametrize("words", each(NOT_NAMED, NOT_NAMED_HELD_BACK, NOT_NAMED_LATER))
def test_what_only_looks_like_one_is_not(words: str) -> None:
    assert not is_about_the_neck({"text": words}, code_map())


def test_a_danger_under_another_name_is_for_a_person_to_read() -> None:
    condition = {
        "resourceType": "Condition",
        "id": "c",
        "subject": {"reference": "Patient/p"},
        "code": {"text": "# C5"},
    }
    (unread,) = read(bundle(patient(), condition), ruleset(), code_map(), AT).not_used
    assert (unread.kind, unread.value) == ("unread", "# C5")


@pytest.mark.parametrize(
    ("code", "grade"),
    [
        ("L89.811", "stage_1"),
        ("L89.812", "stage_2"),
        ("L89.813", "stage_3"),
        ("L89.814", "stage_4"),
        ("L89.810", "unstageable"),
        ("L89.816", "deep_tissue"),
    ],
)
def test_a_pressure_ulcer_of_the_head_says_its_grade(code: str, grade: str) -> None:
    """ICD-10-CM, the sixth character; from memory, to be confirmed by the site."""
    known = {"subject": {"reference": "Patient/p"}, "recordedDate": AT.date().isoformat()}
    condition = {"resourceType": "Condition", "id": "c", **known, "code": {"coding": [{"system": ICD, "code": code}]}}
    reading = read(bundle(patient(), condition), ruleset(), code_map(), AT)
    assert {fact.name: fact.value for fact in reading.facts}.get("skin_damage_grade") == grade


@pytest.mark.parametrize(("code", "listed"), [("L89.819", True), ("L89.154", False)])
def test_one_without_a_grade_is_listed_and_one_elsewhere_is_not(code: str, listed: bool) -> None:
    known = {"subject": {"reference": "Patient/p"}, "code": {"coding": [{"system": ICD, "code": code}]}}
    condition = {"resourceType": "Condition", "id": "c", **known}
    reading = read(bundle(patient(), condition), ruleset(), code_map(), AT)
    assert [one.kind for one in reading.not_used] == ["unread"] * listed


LEADING = {
    "Cardiac arrest": "airway_threat",
    "Apnea": "airway_threat",
    "Drowning": "airway_threat",
    "Burn of respiratory tract": "airway_threat",
    "Third degree burn of face and neck": "airway_threat",
    "Puncture wound of neck": "penetrating_injury",
    "Metastasis to cervical vertebra": "known_vertebral_disease",
    "Metastatic cancer to cervical spine": "known_vertebral_disease",
    "Osteomyelitis of cervical vertebra": "known_vertebral_disease",
    "Metastasis to cervical lymph node": None,
    "Excised tumour of the cervical spine": None,
    "Healed burn of neck": None,
}
"""What goes before a collar, by its name; common practice, no source."""


@pytest.mark.parametrize("words", LEADING)
def test_a_name_that_goes_before_a_collar_leads(words: str) -> None:
    assert may_be([words], (), code_map()) == LEADING[words]
