"""Consent and refusal, as Consent."""

from fhirmod.mapping.table import Code, Part, Rows, Table

_details = Rows("consent").details("answer", "scope", "refused_products")

TABLES = (Table("consent", (Part("consent", "Consent", (Code("consent"),), _details, profiles=("consent",)),)),)
