"""Path validation by NIST PKITS (Public Key Interoperability Test Suite), as cryptography-vectors carries it.

Rows of the suite that are about signatures, basic constraints, key usage and name constraints.  Left out: certificate
policies and their mappings (sections 4.8 to 4.12), which play no part in TLS; revocation (4.4, 4.5 in part, 4.14, 4.15),
since no list is fetched; and the DSA rows, an algorithm that no version of TLS in use takes.  Dates (4.2) are
``certificate.dates``'s.
"""

from __future__ import annotations

import datetime
import importlib.resources
import pathlib

import pytest
from cryptography import x509

from verify.grading.certificate.path import Anchors, Kind, validate

PKITS = pathlib.Path(str(importlib.resources.files("cryptography_vectors"))) / "x509" / "PKITS_data" / "certs"
#: The suite's anchor is valid from 2010-01-01 08:30:00 to 2030-12-31 08:30:00.
PKITS_MOMENT = datetime.datetime(2026, 11, 2, 9, tzinfo=datetime.UTC)


def pkits(name: str) -> bytes:
    return (PKITS / f"{name}.crt").read_bytes()


def pkits_kind(leaf: str, *intermediates: str) -> Kind:
    anchor = x509.load_der_x509_certificate(pkits("TrustAnchorRootCertificate"))
    return validate(pkits(leaf), [pkits(name) for name in intermediates], Anchors([anchor]), PKITS_MOMENT).kind


@pytest.mark.parametrize(("section", "leaf", "intermediates"), [
    ("4.1.1", "ValidCertificatePathTest1EE", ("GoodCACert",)),
    ("4.3.3", "ValidNameChainingWhitespaceTest3EE", ("GoodCACert",)),
    ("4.3.4", "ValidNameChainingWhitespaceTest4EE", ("GoodCACert",)),
    ("4.3.5", "ValidNameChainingCapitalizationTest5EE", ("GoodCACert",)),
    ("4.3.9", "ValidUTF8StringEncodedNamesTest9EE", ("UTF8StringEncodedNamesCACert",)),
    ("4.3.10", "ValidRolloverfromPrintableStringtoUTF8StringTest10EE", ("RolloverfromPrintableStringtoUTF8StringCACert",)),
    ("4.3.11", "ValidUTF8StringCaseInsensitiveMatchTest11EE", ("UTF8StringCaseInsensitiveMatchCACert",)),
    ("4.3.6", "ValidRFC3280OptionalAttributeTypesTest8EE", ("RFC3280OptionalAttributeTypesCACert",)),
    ("4.6.4", "ValidbasicConstraintsNotCriticalTest4EE", ("basicConstraintsNotCriticalCACert",)),
    ("4.6.7", "ValidpathLenConstraintTest7EE", ("pathLenConstraint0CACert",)),
    ("4.6.8", "ValidpathLenConstraintTest8EE", ("pathLenConstraint0CACert",)),
    ("4.6.13", "ValidpathLenConstraintTest13EE",
     ("pathLenConstraint6CACert", "pathLenConstraint6subCA4Cert", "pathLenConstraint6subsubCA41Cert",
      "pathLenConstraint6subsubsubCA41XCert")),
    ("4.5.1", "ValidBasicSelfIssuedOldWithNewTest1EE",
     ("BasicSelfIssuedNewKeyOldWithNewCACert", "BasicSelfIssuedNewKeyCACert")),
    ("4.6.15", "ValidSelfIssuedpathLenConstraintTest15EE", ("pathLenConstraint0SelfIssuedCACert", "pathLenConstraint0CACert")),
    ("4.6.17", "ValidSelfIssuedpathLenConstraintTest17EE",
     ("pathLenConstraint1SelfIssuedsubCACert", "pathLenConstraint1subCACert", "pathLenConstraint1SelfIssuedCACert",
      "pathLenConstraint1CACert")),
    ("4.13.1", "ValidDNnameConstraintsTest1EE", ("nameConstraintsDN1CACert",)),
    ("4.13.4", "ValidDNnameConstraintsTest4EE", ("nameConstraintsDN1CACert",)),
    ("4.13.5", "ValidDNnameConstraintsTest5EE", ("nameConstraintsDN2CACert",)),
    ("4.13.6", "ValidDNnameConstraintsTest6EE", ("nameConstraintsDN3CACert",)),
    ("4.13.11", "ValidDNnameConstraintsTest11EE", ("nameConstraintsDN5CACert",)),
    ("4.13.14", "ValidDNnameConstraintsTest14EE", ("nameConstraintsDN1subCA2Cert", "nameConstraintsDN1CACert")),
    ("4.13.18", "ValidDNnameConstraintsTest18EE", ("nameConstraintsDN3subCA2Cert", "nameConstraintsDN3CACert")),
    ("4.13.19", "ValidDNnameConstraintsTest19EE", ("nameConstraintsDN1SelfIssuedCACert", "nameConstraintsDN1CACert")),
    ("4.13.30", "ValidDNSnameConstraintsTest30EE", ("nameConstraintsDNS1CACert",)),
    ("4.13.32", "ValidDNSnameConstraintsTest32EE", ("nameConstraintsDNS2CACert",)),
])
def test_pkits_valid_paths_are_trusted(section: str, leaf: str, intermediates: tuple[str, ...]) -> None:
    """NIST PKITS, the section in the row: the path must validate."""
    assert pkits_kind(leaf, *intermediates) is Kind.TRUSTED


@pytest.mark.parametrize(("section", "leaf", "intermediates", "expected"), [
    ("4.1.2", "InvalidCASignatureTest2EE", ("BadSignedCACert",), {Kind.BAD_SIGNATURE}),
    ("4.1.3", "InvalidEESignatureTest3EE", ("GoodCACert",), {Kind.BAD_SIGNATURE}),
    ("4.3.1", "InvalidNameChainingTest1EE", ("GoodCACert",), {Kind.ISSUER_NOT_SENT}),
    ("4.3.2", "InvalidNameChainingOrderTest2EE", ("NameOrderingCACert",), {Kind.ISSUER_NOT_SENT}),
    ("4.6.1", "InvalidMissingbasicConstraintsTest1EE", ("MissingbasicConstraintsCACert",), {Kind.NOT_AN_AUTHORITY}),
    ("4.6.2", "InvalidcAFalseTest2EE", ("basicConstraintsCriticalcAFalseCACert",), {Kind.NOT_AN_AUTHORITY}),
    ("4.6.3", "InvalidcAFalseTest3EE", ("basicConstraintsNotCriticalcAFalseCACert",), {Kind.NOT_AN_AUTHORITY}),
    ("4.6.5", "InvalidpathLenConstraintTest5EE", ("pathLenConstraint0CACert", "pathLenConstraint0subCACert"),
     {Kind.NOT_AN_AUTHORITY}),
    ("4.6.9", "InvalidpathLenConstraintTest9EE",
     ("pathLenConstraint6CACert", "pathLenConstraint6subCA0Cert", "pathLenConstraint6subsubCA00Cert"), {Kind.NOT_AN_AUTHORITY}),
    ("4.7.1", "InvalidkeyUsageCriticalkeyCertSignFalseTest1EE", ("keyUsageCriticalkeyCertSignFalseCACert",),
     {Kind.NOT_AN_AUTHORITY}),
    ("4.7.2", "InvalidkeyUsageNotCriticalkeyCertSignFalseTest2EE", ("keyUsageNotCriticalkeyCertSignFalseCACert",),
     {Kind.NOT_AN_AUTHORITY}),
    ("4.6.16", "InvalidSelfIssuedpathLenConstraintTest16EE",
     ("pathLenConstraint0subCA2Cert", "pathLenConstraint0SelfIssuedCACert", "pathLenConstraint0CACert"), {Kind.NOT_AN_AUTHORITY}),
    ("4.13.2", "InvalidDNnameConstraintsTest2EE", ("nameConstraintsDN1CACert",), {Kind.REFUSED}),
    ("4.13.3", "InvalidDNnameConstraintsTest3EE", ("nameConstraintsDN1CACert",), {Kind.REFUSED}),
    ("4.13.7", "InvalidDNnameConstraintsTest7EE", ("nameConstraintsDN3CACert",), {Kind.REFUSED}),
    ("4.13.8", "InvalidDNnameConstraintsTest8EE", ("nameConstraintsDN4CACert",), {Kind.REFUSED}),
    ("4.13.9", "InvalidDNnameConstraintsTest9EE", ("nameConstraintsDN4CACert",), {Kind.REFUSED}),
    ("4.13.10", "InvalidDNnameConstraintsTest10EE", ("nameConstraintsDN5CACert",), {Kind.REFUSED}),
    ("4.13.12", "InvalidDNnameConstraintsTest12EE", ("nameConstraintsDN1subCA1Cert", "nameConstraintsDN1CACert"), {Kind.REFUSED}),
    ("4.13.13", "InvalidDNnameConstraintsTest13EE", ("nameConstraintsDN1subCA2Cert", "nameConstraintsDN1CACert"), {Kind.REFUSED}),
    ("4.13.15", "InvalidDNnameConstraintsTest15EE", ("nameConstraintsDN3subCA1Cert", "nameConstraintsDN3CACert"), {Kind.REFUSED}),
    ("4.13.16", "InvalidDNnameConstraintsTest16EE", ("nameConstraintsDN3subCA1Cert", "nameConstraintsDN3CACert"), {Kind.REFUSED}),
    ("4.13.17", "InvalidDNnameConstraintsTest17EE", ("nameConstraintsDN3subCA2Cert", "nameConstraintsDN3CACert"), {Kind.REFUSED}),
    ("4.13.20", "InvalidDNnameConstraintsTest20EE", ("nameConstraintsDN1CACert",), {Kind.REFUSED}),
    ("4.13.31", "InvalidDNSnameConstraintsTest31EE", ("nameConstraintsDNS1CACert",), {Kind.REFUSED}),
    ("4.13.33", "InvalidDNSnameConstraintsTest33EE", ("nameConstraintsDNS2CACert",), {Kind.REFUSED}),
    ("4.13.38", "InvalidDNSnameConstraintsTest38EE", ("nameConstraintsDNS1CACert",), {Kind.REFUSED}),
    ("4.16.2", "InvalidUnknownCriticalCertificateExtensionTest2EE", (), {Kind.REFUSED}),
])
def test_pkits_invalid_paths_are_not(section: str, leaf: str, intermediates: tuple[str, ...], expected: set[Kind]) -> None:
    """NIST PKITS, the section in the row: the path must not validate, and the reason is named."""
    assert pkits_kind(leaf, *intermediates) in expected


def test_mail_address_in_a_subject_that_is_limited_is_not_followed() -> None:
    """NIST PKITS 4.13.29: the subject holds an address of another domain, and there are no alternative names."""
    chain = ("nameConstraintsDN1subCA3Cert", "nameConstraintsDN1CACert")
    assert pkits_kind("InvalidDNandRFC822nameConstraintsTest29EE", *chain) is Kind.NOT_FOLLOWED
