"""A device's unique identifier in FHIR and back: what was scanned, what was typed, and what a partner sends."""

from base64 import b64encode
from typing import Any

import pytest
from fhir.resources.R4B.device import Device
from hypothesis import given
from hypothesis import strategies as st

from fhirmod.episode import read_entry
from fhirmod.errors import InvalidError
from fhirmod.mapping import Context, Lens, Stored, images
from fhirmod.mapping.urls import UDI_ISSUERS
from fhirmod.r4 import check, dump, parse

ID = "00000001-0000-4000-8000-0000000000ee"
CONTEXT = Context("Patient/1", "Procedure/anchor")
SCANNED = "]d201008123456789011124011517270300" + "10LOT789XYZ\x1d21IP2000-123456"
PRINTED = "(01)00812345678901(11)240115(17)270300(10)LOT789XYZ(21)IP2000-123456"


def preparation(**fields: Any) -> dict[str, Any]:
    moment = "2026-03-01T02:00:00+01:00"
    return {"kind": "balloon-preparation", "id": ID, "at": moment, "recorded_at": moment} | fields


def device(**fields: Any) -> dict[str, Any]:
    made = images(read_entry(preparation(**fields)), CONTEXT, root=ID)
    body = next(image.body for image in made if image.type == "Device")
    assert body is not None
    assert [finding for finding in check(parse(dump(body))) if finding.refuses] == []
    Device.model_validate_json(dump(body))
    return body


def read(resource: dict[str, Any]) -> Any:
    lens = Lens()
    lens.fold([Stored("Device", resource["id"], 1, "2026-03-02T00:00:00.000Z", resource)])
    assert lens.unread == {}
    [item] = lens.received
    return item.entry


def partners(**elements: Any) -> dict[str, Any]:
    """Return a Device of which a partner wrote the elements (the time stands in the entry's own extension)."""
    return device(device="purpose-made") | elements


def test_a_scanned_identifier_fills_the_carrier_and_the_label_facts() -> None:
    body = device(udi=SCANNED)
    # Element meanings: http://hl7.org/fhir/R4/device-definitions.html#Device.udiCarrier
    assert body["udiCarrier"] == [
        {
            "deviceIdentifier": "00812345678901",
            "issuer": "http://hl7.org/fhir/NamingSystem/gs1-di",
            "carrierAIDC": b64encode(SCANNED.encode()).decode(),
            "carrierHRF": PRINTED,
            "entryType": "barcode",
        }
    ]
    assert (body["lotNumber"], body["serialNumber"]) == ("LOT789XYZ", "IP2000-123456")
    assert (body["manufactureDate"], body["expirationDate"]) == ("2024-01-15", "2027-03")


def test_what_only_the_identifier_states_is_not_read_back_as_typed() -> None:
    entry = read(device(udi=SCANNED))
    assert entry.udi == SCANNED
    assert (entry.lot, entry.serial, entry.expires) == (None, None, None)


def test_what_was_typed_stands_over_the_identifier() -> None:
    body = device(udi=PRINTED, lot="B-7", expires="2027-03-31")
    assert (body["lotNumber"], body["expirationDate"]) == ("B-7", "2027-03-31")
    assert "_lotNumber" not in body
    entry = read(body)
    assert (entry.udi, entry.lot, entry.serial, entry.expires) == (PRINTED, "B-7", None, "2027-03-31")


def test_a_marked_fact_that_a_partner_changed_is_read() -> None:
    body = device(udi=SCANNED) | {"lotNumber": "CHANGED"}
    assert read(body).lot == "CHANGED"


def test_a_wrong_check_digit_keeps_the_text_and_names_no_device() -> None:
    body = device(udi="(01)00812345678902(10)X1")
    assert body["udiCarrier"] == [{"carrierHRF": "(01)00812345678902(10)X1"}]
    assert read(body).udi == "(01)00812345678902(10)X1"


def test_an_improvised_device_has_no_carrier() -> None:
    assert "udiCarrier" not in device(device="improvised-condom-catheter")


def test_the_donation_number_of_a_human_product_is_its_distinct_identifier() -> None:
    # FDA, UDI formats by issuing agency (2017), ICCBBA's example; R4: distinctIdentifier is for HCT/P.
    body = device(udi="=/A9999XYZ100T0944=,000025=A99971312345600=>014032=}013032&,1000000000000XYZ123")
    assert body["distinctIdentifier"] == "A99971312345600"
    assert body["udiCarrier"][0]["issuer"] == "http://hl7.org/fhir/NamingSystem/iccbba-other-di"
    assert (body["manufactureDate"], body["expirationDate"]) == ("2013-02-01", "2014-02-01")


def test_the_issuers_are_those_of_the_r4_definition() -> None:
    # HL7 FHIR R4 4.0.1, Device.udiCarrier.issuer, as listed in the element's definition.
    assert set(UDI_ISSUERS.values()) == {
        "http://hl7.org/fhir/NamingSystem/gs1-di",
        "http://hl7.org/fhir/NamingSystem/hibcc-dI",
        "http://hl7.org/fhir/NamingSystem/iccbba-blood-di",
        "http://hl7.org/fhir/NamingSystem/iccbba-other-di",
    }


@pytest.mark.parametrize(
    ("carrier", "udi"),
    [
        ({"carrierAIDC": b64encode(SCANNED.encode()).decode()}, SCANNED),
        ({"carrierAIDC": b64encode(b"\x89PNG\x0d\x0a").decode(), "carrierHRF": PRINTED}, PRINTED),
        ({"carrierHRF": PRINTED}, PRINTED),
        ({"deviceIdentifier": "00812345678901", "issuer": UDI_ISSUERS["gs1"]}, "(01)00812345678901"),
        ({"deviceIdentifier": "A123BJC5D6E71", "issuer": UDI_ISSUERS["hibcc"]}, "+A123BJC5D6E71G"),
        # HL7 FHIR R5 spells the same issuer hibcc-diI
        (
            {"deviceIdentifier": "A123BJC5D6E71", "issuer": "http://hl7.org/fhir/NamingSystem/hibcc-diI"},
            "+A123BJC5D6E71G",
        ),
        ({"deviceIdentifier": "A9999XYZ100T0944", "issuer": UDI_ISSUERS["iccbba"]}, "=/A9999XYZ100T0944"),
        ({"deviceIdentifier": "1TE123456A", "issuer": UDI_ISSUERS["iccbba-blood"]}, "=)1TE123456A"),
        ({"deviceIdentifier": "whatever", "issuer": UDI_ISSUERS["gs1"]}, "whatever"),
        ({"deviceIdentifier": "00812345678901"}, "00812345678901"),
    ],
)
def test_a_partners_carrier_is_read_whatever_of_it_is_there(carrier: dict[str, Any], udi: str) -> None:
    entry = read(partners(udiCarrier=[carrier]))
    assert entry.udi == udi
    if "deviceIdentifier" in carrier and "issuer" in carrier and udi != "whatever":
        again = device(udi=udi)["udiCarrier"][0]
        assert again["deviceIdentifier"] == carrier["deviceIdentifier"]
        assert carrier["issuer"].lower().startswith(again["issuer"].lower())


@pytest.mark.parametrize("expires", ["2027", "2027-03", "2027-03-31", "2027-03-31T00:00:00Z"])
def test_a_partners_expiry_is_read_as_exactly_as_it_is_stated(expires: str) -> None:
    # HL7 FHIR R4 datatypes: a dateTime may be a year, or a year and month.
    assert read(partners(expirationDate=expires, lotNumber="L1")).expires == expires


@given(st.text(st.characters(codec="utf-8"), min_size=1, max_size=40))
def test_any_text_that_a_reader_may_send_comes_back_as_it_went(text: str) -> None:
    try:
        entry = read_entry(preparation(udi=text))
    except InvalidError:
        return  # a text that the entry does not take
    body = device(udi=text)
    assert read(body) == entry
