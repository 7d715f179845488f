"""Tests of the R4 engine; expected values come from the R4 specification (4.0.1) and RFC 8259."""
