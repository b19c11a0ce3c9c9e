"""A private authority and the page's certificate, for phones that shall trust the page over https.

The authority may vouch for this board's names and for addresses of private networks only
(name constraints, RFC 5280, 4.2.1.10): a phone that trusts it believes it of no site elsewhere.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from monitor.contract.errors import CertificateFailed
from web.private_file import OPEN, keep

try:
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.hashes import SHA256
    from cryptography.hazmat.primitives.serialization import (
        Encoding,
        NoEncryption,
        PrivateFormat,
        load_pem_private_key,
    )
    from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID
except ImportError:
    raise CertificateFailed(
        "certificates need the package cryptography: pip install '.[https]', as the program was installed"
    ) from None

AUTHORITY, AUTHORITY_KEY = "authority.crt", "authority.key"
CERTIFICATE, KEY = "page.crt", "page.key"

AUTHORITY_DAYS = 3652
"""Ten seasons; each phone has to be visited when it ends."""
PAGE_DAYS = 800
"""Some phones refuse a certificate that is good for more than 825 days (from memory)."""
CLOCKS_APART = timedelta(days=1)
"""How far a phone's clock may be behind the board's."""

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Network = ipaddress.IPv4Network | ipaddress.IPv6Network
PRIVATE: tuple[Network, ...] = tuple(
    map(
        ipaddress.ip_network,
        (
            *("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16"),  # RFC 1918
            *("169.254.0.0/16", "fe80::/10"),  # link-local: RFC 3927, RFC 4291
            *("127.0.0.0/8", "::1/128"),  # this board itself
            "fc00::/7",  # RFC 4193
        ),
    )
)
"""Addresses that a router gives on a farm; the board's own may change among them."""


@dataclass(frozen=True, slots=True)
class Names:
    """What the page is asked by."""

    names: tuple[str, ...]
    addresses: tuple[Address, ...]

    @classmethod
    def of(cls, texts: Iterable[str]) -> Names:
        """Sort ``texts`` into names and addresses, each once."""
        names: list[str] = []
        addresses: list[Address] = []
        for text in dict.fromkeys(text.strip().lower() for text in texts):
            try:
                addresses.append(ipaddress.ip_address(text.strip("[]")))
            except ValueError:
                names.append(text)
        return cls(tuple(names), tuple(addresses))


@dataclass(frozen=True, slots=True, kw_only=True)
class Issued:
    """What was made: files, how the authority is recognised, until when the certificate is good."""

    files: tuple[Path, ...]
    fingerprint: str
    """SHA-256 of the authority, as phones show it."""
    until: datetime
    new_authority: bool

    def lines(self) -> list[str]:
        """Return what a person must know and do now."""
        authority, _, certificate, key = self.files
        written = self.files if self.new_authority else (certificate, key)
        return [
            *(f"wrote {file}" for file in written),
            f"the authority's SHA-256 fingerprint, to be compared on each phone: {self.fingerprint}",
            f"good until {self.until:%Y-%m-%d}: make the certificate again before then",
            "settings, under [web], then start the page again:",
            f'  certificate = "{certificate}"',
            f'  key = "{key}"',
            f'  authority = "{authority}"',
        ]


@dataclass(frozen=True, slots=True)
class _Authority:
    certificate: x509.Certificate
    key: ec.EllipticCurvePrivateKey


def issue(folder: Path, *, names: Names, now: datetime) -> Issued:
    """Make the page's certificate in ``folder``, and an authority if there is none yet.

    Raises :class:`CertificateFailed` for a folder that cannot be used, and for an authority
    that is damaged, has ended or may not vouch for one of ``names``.
    """
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        kept = _kept(folder)
        if kept is not None:
            _refuse_unfit(kept.certificate, folder / AUTHORITY, names=names, now=now)
        authority = kept or _new_authority(folder, names=names, now=now)
        key = ec.generate_private_key(ec.SECP256R1())
        certificate = _certificate(key, names=names, now=now, authority=authority)
        keep(folder / KEY, _private(key))
        keep(folder / CERTIFICATE, certificate.public_bytes(Encoding.PEM), mode=OPEN)
    except PermissionError as error:
        raise CertificateFailed(f"{folder} cannot be used: {error.strerror}; run it as root") from None
    except CertificateFailed:
        raise
    except OSError as error:
        raise CertificateFailed(f"{folder} cannot be used: {error.strerror}; check --to") from None
    return Issued(
        files=tuple(folder / name for name in (AUTHORITY, AUTHORITY_KEY, CERTIFICATE, KEY)),
        fingerprint=authority.certificate.fingerprint(SHA256()).hex(":").upper(),
        until=certificate.not_valid_after_utc,
        new_authority=kept is None,
    )


def _kept(folder: Path) -> _Authority | None:
    """Return the authority kept in ``folder``, null if there is none."""
    file, key_file = folder / AUTHORITY, folder / AUTHORITY_KEY
    halves = [half for half in (file, key_file) if half.exists()]
    if not halves:
        return None
    if len(halves) == 1:
        raise CertificateFailed(f"{halves[0]} lacks its other half: bring that back, or remove it")
    try:
        certificate = x509.load_pem_x509_certificate(file.read_bytes())
        key = load_pem_private_key(key_file.read_bytes(), password=None)
    except (ValueError, TypeError):
        raise CertificateFailed(f"{file} or its key is damaged: remove both to start anew") from None
    if not isinstance(key, ec.EllipticCurvePrivateKey) or key.public_key() != certificate.public_key():
        raise CertificateFailed(f"{key_file} is not the key of {file}: remove both to start anew")
    return _Authority(certificate, key)


def _refuse_unfit(certificate: x509.Certificate, file: Path, *, names: Names, now: datetime) -> None:
    """Refuse an authority that phones would not believe for ``names`` now."""
    remedy = "remove it and its key, make it anew, and install it on each phone again"
    if now > certificate.not_valid_after_utc:
        raise CertificateFailed(f"{file} has ended: {remedy}")
    try:
        allowed = certificate.extensions.get_extension_for_class(x509.NameConstraints).value
    except x509.ExtensionNotFound:
        raise CertificateFailed(f"{file} was not made here: {remedy}") from None
    values = [subtree.value for subtree in allowed.permitted_subtrees or ()]
    networks = [value for value in values if isinstance(value, Network)]
    beyond = [name for name in names.names if name not in values]
    beyond += [str(address) for address in names.addresses if not _is_in(address, networks)]
    if beyond:
        raise CertificateFailed(f"{file} may not vouch for {', '.join(beyond)}: {remedy}")


def _new_authority(folder: Path, *, names: Names, now: datetime) -> _Authority:
    key = ec.generate_private_key(ec.SECP256R1())
    called = _called(f"niterwatch authority of {_title(names)}")
    others = [ipaddress.ip_network(each) for each in names.addresses if not _is_in(each, PRIVATE)]
    allowed = [*map(x509.DNSName, names.names), *map(x509.IPAddress, (*PRIVATE, *others))]
    certificate = (
        _begun(key, subject=called, issuer=called, now=now, days=AUTHORITY_DAYS)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs_certificates=True), critical=True)
        .add_extension(x509.NameConstraints(allowed, excluded_subtrees=None), critical=True)
        .sign(key, SHA256())
    )
    # The page's service has no use for this key: it stays with who made it.
    keep(folder / AUTHORITY_KEY, _private(key), for_service=False)
    keep(folder / AUTHORITY, certificate.public_bytes(Encoding.PEM), mode=OPEN)
    return _Authority(certificate, key)


def _certificate(
    key: ec.EllipticCurvePrivateKey, *, names: Names, now: datetime, authority: _Authority
) -> x509.Certificate:
    asked_by = [*map(x509.DNSName, names.names), *map(x509.IPAddress, names.addresses)]
    signer = x509.AuthorityKeyIdentifier.from_issuer_public_key(authority.key.public_key())
    subject, issuer = _called(f"niterwatch page of {_title(names)}"), authority.certificate.subject
    return (
        _begun(key, subject=subject, issuer=issuer, now=now, days=PAGE_DAYS)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs_certificates=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName(asked_by), critical=False)
        .add_extension(signer, critical=False)
        .sign(authority.key, SHA256())
    )


def _begun(
    key: ec.EllipticCurvePrivateKey, *, subject: x509.Name, issuer: x509.Name, now: datetime, days: int
) -> x509.CertificateBuilder:
    public = key.public_key()
    return x509.CertificateBuilder(
        issuer_name=issuer,
        subject_name=subject,
        public_key=public,
        serial_number=x509.random_serial_number(),
        not_valid_before=now - CLOCKS_APART,
        not_valid_after=now + timedelta(days=days),
    ).add_extension(x509.SubjectKeyIdentifier.from_public_key(public), critical=False)


def _usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs_certificates,
        key_cert_sign=signs_certificates,
        crl_sign=signs_certificates,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        encipher_only=False,
        decipher_only=False,
    )


def _is_in(address: Address, networks: Iterable[Network]) -> bool:
    return any(address in network for network in networks)


def _title(names: Names) -> str:
    return [*names.names, *map(str, names.addresses)][0][:40]


def _called(text: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text)])


def _private(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
