"""Which R4 elements are used besides the tables' rows, and which are read as nothing, each with the reason.

Everything skipped is still stored, served and sent on as it came; only no entry is made of it. A name covers what is
inside it. Keys are the reasons; names are dotted from the resource. A test holds this against R4's own list.
"""

from collections.abc import Iterator, Mapping

_ASKED_BY = "which request or plan it answers: that stays with who ordered; an entry's own `order` names it in words"
_DEFINED_BY = "which definition it followed: verdicts follow the site's protocol that the episode was opened with"
_WHY = "why it was done, not done or changed: a reason in words, no fact of the course"
_KIND = "how its sender files it: what it is stands in its code"
_WHERE = "where: the episode's facility and transfers say where she was"
_WHO_ELSE = "who else took part and for whom: one person acts and one writes in an entry"
_SITE = "the part of the body is given by what was done or measured"
_EVIDENCE = "what supports it: those resources are read by themselves"
_PARTIAL = "a value of a type that no entry takes makes the resource unread, with that reason"
_JUDGED = "its sender's judgement of the value: this record judges by the site's protocol, from the number"
_NO_CONCEPT = "no entry says this"
_MONEY = "accounts and cover are no part of the record"
_VAGUE_TIME = "a time that is no moment: read as not known, or unread where it names several"

_COMMON_USED = {
    "implicitRules": "makes the resource unread",
    "modifierExtension": "makes the resource unread, also on a part of it",
    "contained": "a balloon or medicine inside is read with what names it",
}
_COMMON_SKIPPED = {
    "the language and the words for readers say nothing that the elements do not": "language text",
}

_USED: dict[str, dict[str, str]] = {
    "Observation": {
        "hasMember": "the members of a set of signs or of a sample are one entry; a sum of members is unread",
        "derivedFrom": "what is computed from others that count themselves is unread",
        "focus": "what was observed on another makes it unread",
        "effectivePeriod": "its start is the time",
        "effectiveInstant": "it is the time",
        "effectiveTiming": "several moments make it unread",
        "valueDateTime": "the time of a birth, written beside its own time",
        "category": "written; R4's vital-signs profiles ask for it",
    },
    "Procedure": {
        "performedPeriod": "its start is the time",
        "focalDevice": "the balloon that was placed or made ready",
        "reasonReference": "the haemorrhage, written on the anchor",
        "bodySite": "written on the anchor",
        "complicationDetail": "the complications, written on the anchor",
    },
    "MedicationAdministration": {
        "medicationReference": "the code of the Medication it names is what was given",
        "effectivePeriod": "its start is the time",
        "dosage.rateRatio": "what runs at a rate is no single dose: unread",
    },
    "Condition": {"onsetPeriod": "its start is the time"},
    "ServiceRequest": {
        "doNotPerform": "makes it unread",
        "asNeededBoolean": "what is wanted only if needed makes it unread",
        "asNeededCodeableConcept": "what is wanted only if needed makes it unread",
    },
    "Communication": {},
    "Consent": {"provision.type": "written: deny for a refusal, which is also rejected"},
    "Encounter": {},
    "Device": {
        "distinctIdentifier": "written from the unique device identifier that states it",
        "manufactureDate": "written from the unique device identifier that states it",
    },
    "AdverseEvent": {},
    "Provenance": {"target": "what a retraction takes back, written", "occurredPeriod": "its start is the time"},
}

_SKIPPED: dict[str, dict[str, str]] = {
    "Observation": {
        _ASKED_BY: "basedOn",
        _PARTIAL: "valueInteger valueRange valueRatio valueSampledData valueTime valuePeriod component.valueInteger"
        " component.valueRange component.valueRatio component.valueSampledData component.valueTime"
        " component.valueDateTime component.valuePeriod",
        _JUDGED: "interpretation referenceRange component.interpretation component.referenceRange",
        _SITE: "bodySite",
        "the sample and the meter: a result stands without them": "specimen device",
    },
    "Procedure": {
        _DEFINED_BY: "instantiatesCanonical instantiatesUri",
        _ASKED_BY: "basedOn",
        _WHY: "statusReason reasonCode",
        _KIND: "category",
        _VAGUE_TIME: "performedString performedAge performedRange",
        _WHO_ELSE: "asserter performer.function performer.onBehalfOf",
        _WHERE: "location",
        "its report, complication and follow-up have resources of their own": "report complication followUp",
        "what was used besides the balloon is no fact of the course": "usedReference usedCode",
    },
    "MedicationAdministration": {
        _DEFINED_BY: "instantiates",
        _WHY: "statusReason reasonCode reasonReference",
        _KIND: "category",
        _EVIDENCE: "supportingInformation",
        _WHO_ELSE: "performer.function",
        _ASKED_BY: "request",
        "the pump and the way of giving: the route says how": "device dosage.site dosage.method",
        "the dose in words: a number is never picked out of words": "dosage.text",
        "its own history: every version is kept": "eventHistory",
    },
    "Condition": {
        _KIND: "category",
        _JUDGED: "severity stage",
        _SITE: "bodySite",
        _VAGUE_TIME: "onsetAge onsetRange onsetString",
        "when it was over: what stops bleeding is recorded as it is seen": "abatementDateTime abatementAge"
        " abatementPeriod abatementRange abatementString",
        _EVIDENCE: "evidence",
    },
    "ServiceRequest": {
        _DEFINED_BY: "instantiatesCanonical instantiatesUri",
        _ASKED_BY: "basedOn requisition",
        "what it replaces has a status of its own, which says that it no longer stands": "replaces",
        _KIND: "category priority",
        "how often, how much and what in detail is for who carries it out: a decision is one of few words": (
            "orderDetail quantityQuantity quantityRatio quantityRange patientInstruction"
        ),
        "a decision's time is when it was made; what is then done has its own": (
            "occurrenceDateTime occurrencePeriod occurrenceTiming"
        ),
        _WHO_ELSE: "performerType performer",
        _WHERE: "locationCode locationReference",
        _WHY: "reasonCode reasonReference",
        _MONEY: "insurance",
        _SITE: "bodySite",
        _EVIDENCE: "specimen relevantHistory",
    },
    "Communication": {
        _DEFINED_BY: "instantiatesCanonical instantiatesUri",
        _ASKED_BY: "basedOn inResponseTo",
        _WHY: "statusReason reasonCode reasonReference",
        _KIND: "category priority medium",
        _EVIDENCE: "about",
        "a call counts from when it was made; who came and when is an entry of its own": "received recipient",
        "the words that were said: its topic says what they mean, nothing is picked out of words": "payload",
    },
    "Consent": {
        _WHERE: "organization",
        "the paper itself": "sourceAttachment sourceReference",
        "the rule it was asked under is the facility's": "policy",
        "who checked it afterwards": "verification",
        "permissions over data: what is recorded is consent to treatment, in details of its own": "provision.period"
        " provision.actor provision.action provision.securityLabel provision.purpose"
        " provision.class provision.code provision.dataPeriod provision.provision",
    },
    "Encounter": {
        "its own history: every version is kept": "statusHistory classHistory",
        _KIND: "serviceType priority",
        "other stays and appointments": "episodeOfCare appointment partOf",
        _ASKED_BY: "basedOn",
        _WHO_ELSE: "participant.type participant.period",
        "how long: it is computed": "length",
        _WHY: "reasonCode reasonReference diagnosis",
        _MONEY: "account",
        "where she went is the outcome's, which is an entry": "hospitalization",
        _WHERE: "location",
        "the stay's end is no entry: the record is closed by one": "period.end",
    },
    "Device": {
        "the make is never asked for: what matters of a balloon is on its label": "definition manufacturer deviceName"
        " modelNumber partNumber specialization version url contact",
        _WHY: "statusReason",
        "the law the identifier is issued under": "udiCarrier.jurisdiction",
        "whose it is and where it is kept": "owner location parent",
        _NO_CONCEPT: "safety",
    },
    "AdverseEvent": {
        _KIND: "category",
        "when it was found out: the entry's time is when it happened": "detected",
        _EVIDENCE: "resultingCondition subjectMedicalHistory referenceDocument study",
        _WHERE: "location",
        _JUDGED: "seriousness severity outcome suspectEntity.causality",
        _WHO_ELSE: "contributor",
    },
    "Provenance": {
        _DEFINED_BY: "policy",
        _WHERE: "location",
        "the reason stands in our own words beside it": "reason",
        _WHO_ELSE: "agent.type agent.role agent.onBehalfOf",
        "what it was made from: the versions are kept": "entity",
        "a signature is kept with what it signs, and judged by nobody here": "signature",
    },
}


SKIPPED_TYPES = frozenset(_SKIPPED)


def used(resource_type: str) -> Mapping[str, str]:
    """Return the elements of a type that are used besides the rows, and how."""
    return {**_COMMON_USED, **_USED[resource_type]}


def skipped(resource_type: str) -> Mapping[str, str]:
    """Return the elements of a type that no entry is made of, and why.

    >>> skipped("Condition")["severity"]
    "its sender's judgement of the value: this record judges by the site's protocol, from the number"
    """
    return dict(_named(_COMMON_SKIPPED)) | dict(_named(_SKIPPED[resource_type]))


def _named(reasons: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    for reason, names in reasons.items():
        for name in names.split():
            yield name, reason
