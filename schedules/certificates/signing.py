"""The firm's digital signature inside a PDF, and what a reader makes of one.

The key comes from the firm's own certificate file (PKCS #12, ``SIGNING_FILE``); without one the
installation makes itself a root and a signing certificate in its data folder and says so on every
paper, because nobody but this firm vouches for them. Signatures are PAdES baseline B without a time
stamp, and forbid any later change (DocMDP level 1). They are made without chance (RFC 6979) and at a
given instant, so that the same paper signed again with the same key has the same bytes.
"""

from __future__ import annotations

import asyncio
import io
import logging
import os
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import pkcs12
from cryptography.x509.oid import NameOID
from django.conf import settings
from django.core.exceptions import ImproperlyConfigured

OWN_FILE = "signing.p12"
OWN_YEARS = 20
FIELD = "Firm"
# The validator writes a whole traceback for each signature that it does not trust.
logging.getLogger("pyhanko_certvalidator").setLevel(logging.CRITICAL)
logging.getLogger("pyhanko.sign.validation").setLevel(logging.CRITICAL)


@dataclass(frozen=True, slots=True)
class Seal:
    """What papers are signed with: key, certificate, and the certificates above it up to the root."""

    key: ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey
    certificate: x509.Certificate
    chain: tuple[x509.Certificate, ...]
    is_self_made: bool

    @property
    def subject(self) -> str:
        """Whom the certificate names."""
        return _name(self.certificate.subject)

    @property
    def root(self) -> x509.Certificate:
        """What a reader must trust to trust the signature."""
        return self.chain[-1] if self.chain else self.certificate

    @property
    def statement(self) -> str:
        """One sentence for the paper."""
        if self.is_self_made:
            return (
                "Signed digitally inside this file with a self-made certificate of the service company: "
                "it shows that nothing was changed; who signed rests on the company's word."
            )
        return f"Signed digitally inside this file by {self.subject}."


@dataclass(frozen=True, slots=True)
class SignatureState:
    """What a reader finds in a file. ``is_intact`` is about the bytes, ``is_trusted`` about the signer."""

    is_signed: bool
    is_intact: bool = False
    covers_all: bool = False
    is_trusted: bool = False
    signer: str = ""
    signed_at: datetime | None = None

    @property
    def is_good(self) -> bool:
        """Whether the whole file is as the firm signed it."""
        return self.is_signed and self.is_intact and self.covers_all and self.is_trusted


# --- the firm's seal ---------------------------------------------------------------------------------


def seal() -> Seal:
    """The seal of this installation, made on first use where no ``SIGNING_FILE`` is set.

    Raises ``ImproperlyConfigured`` when the file is missing, the passphrase wrong or the key of a kind
    that readers of PDFs do not know.
    """
    if settings.SIGNING_FILE:
        return _read(Path(settings.SIGNING_FILE), settings.SIGNING_PASSPHRASE, False)
    path = Path(settings.DATA_DIR) / OWN_FILE
    if not path.exists():
        _make(path)
    return _read(path, "", True)


def own_certificates() -> bytes:
    """Certificate, issuers and root of the firm's seal as PEM, the root last; no key."""
    own = seal()
    return b"".join(c.public_bytes(serialization.Encoding.PEM) for c in (own.certificate, *own.chain))


@lru_cache(maxsize=4)
def _read(path: Path, passphrase: str, is_self_made: bool) -> Seal:
    try:
        key, certificate, chain = pkcs12.load_key_and_certificates(
            path.read_bytes(), passphrase.encode() or None
        )
    except (OSError, ValueError) as error:
        raise ImproperlyConfigured(
            f"The signing certificate {path} cannot be read: {error}. "
            "SIGNING_FILE names a PKCS #12 file with key and certificate, SIGNING_PASSPHRASE opens it."
        ) from error
    if not isinstance(key, ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey) or certificate is None:
        raise ImproperlyConfigured(
            f"{path} holds no RSA or elliptic-curve key with its certificate; export both into one file."
        )
    return Seal(key, certificate, tuple(_upwards(certificate, chain)), is_self_made)


def _upwards(leaf: x509.Certificate, others: list[x509.Certificate]) -> Iterator[x509.Certificate]:
    """The issuers of ``leaf`` in order, up to a root, as far as the file holds them."""
    by_subject = {other.subject: other for other in others}
    last = leaf
    while last.issuer != last.subject and last.issuer in by_subject:
        last = by_subject.pop(last.issuer)
        yield last


def _make(path: Path) -> None:
    """Make root and signing certificate, and keep them in one file that only this user reads."""
    now = datetime.now(UTC)
    root_key, key = ec.generate_private_key(ec.SECP256R1()), ec.generate_private_key(ec.SECP256R1())
    root_name, name = _own_name("self-made root"), _own_name("certificates, self-made")

    def build(
        subject: x509.Name, public: ec.EllipticCurvePublicKey, *, is_root: bool
    ) -> x509.CertificateBuilder:
        return (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(root_name)
            .public_key(public)
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - timedelta(days=1))
            .not_valid_after(now + timedelta(days=366 * OWN_YEARS))
            .add_extension(x509.BasicConstraints(ca=is_root, path_length=0 if is_root else None), True)
            .add_extension(
                x509.KeyUsage(
                    digital_signature=not is_root,
                    content_commitment=not is_root,
                    key_cert_sign=is_root,
                    crl_sign=is_root,
                    key_encipherment=False,
                    data_encipherment=False,
                    key_agreement=False,
                    encipher_only=False,
                    decipher_only=False,
                ),
                True,
            )
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(public), False)
            .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(root_key.public_key()), False)
        )

    root = build(root_name, root_key.public_key(), is_root=True).sign(root_key, hashes.SHA256())
    leaf = build(name, key.public_key(), is_root=False).sign(root_key, hashes.SHA256())
    # The root's own key is kept nowhere: nothing else can ever be signed in its name.
    data = pkcs12.serialize_key_and_certificates(
        b"certificates", key, leaf, [root], serialization.NoEncryption()
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(dir=path.parent)
    with os.fdopen(handle, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    try:
        os.link(temporary, path)  # Whichever process comes first makes it; the others use that one.
    except FileExistsError:
        pass
    finally:
        os.unlink(temporary)


def _own_name(what: str) -> x509.Name:
    firm = settings.FIRM_NAME
    return x509.Name(
        [
            x509.NameAttribute(NameOID.ORGANIZATION_NAME, firm[:64]),
            x509.NameAttribute(NameOID.COMMON_NAME, f"{firm[: 62 - len(what)]}, {what}"),
        ]
    )


def _name(subject: x509.Name) -> str:
    names = subject.get_attributes_for_oid(NameOID.COMMON_NAME) or list(subject)
    return str(names[0].value) if names else ""


# --- signing and reading -----------------------------------------------------------------------------


def sign_pdf(data: bytes, *, at: datetime, reason: str, with_seal: Seal | None = None) -> bytes:
    """``data`` with the firm's signature behind it, dated ``at`` (an aware instant).

    A certificate that was made later than ``at``, as after a renewal of the signing file, dates the
    signature by its own first moment: one from before it existed would be no signature. The same
    arguments give the same bytes. Raises what ``seal`` raises.
    """
    # Half a second and some 30 MB, for those alone who sign.
    from asn1crypto import keys
    from asn1crypto import x509 as asn1_x509
    from pyhanko.pdf_utils.generic import ArrayObject, ByteStringObject
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
    from pyhanko.pdf_utils.metadata.model import DocumentMetadata
    from pyhanko.sign import fields, signers
    from pyhanko_certvalidator.registry import SimpleCertificateStore

    own = with_seal or seal()
    dated = max(at, *(certificate.not_valid_before_utc for certificate in (own.certificate, own.root)))

    class WithoutChance(signers.SimpleSigner):
        """Draws no random number for an elliptic-curve signature (RFC 6979)."""

        def sign_raw(self, data: bytes, digest_algorithm: str) -> bytes:
            if isinstance(own.key, ec.EllipticCurvePrivateKey):
                return own.key.sign(data, ec.ECDSA(hashes.SHA256(), deterministic_signing=True))
            return super().sign_raw(data, digest_algorithm)

    class At(signers.PdfSigner):
        """Signs at the given instant instead of now."""

        def init_signing_session(self, *args: Any, **options: Any) -> Any:
            session = super().init_signing_session(*args, **options)
            session.system_time = dated
            return session

    class DatedThen(DocumentMetadata):
        """Changed at the given instant; the writer would set it to now, and each second has its own bytes."""

        def __setattr__(self, name: str, value: Any) -> None:
            super().__setattr__(name, dated if name == "last_modified" else value)

    def asn1(certificate: x509.Certificate) -> Any:
        return asn1_x509.Certificate.load(certificate.public_bytes(serialization.Encoding.DER))

    store = SimpleCertificateStore()
    store.register_multiple([asn1(certificate) for certificate in own.chain])
    key = own.key.private_bytes(
        serialization.Encoding.DER, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    signer = WithoutChance(
        signing_cert=asn1(own.certificate), signing_key=keys.PrivateKeyInfo.load(key), cert_registry=store
    )
    writer = IncrementalPdfFileWriter(io.BytesIO(data))
    first = writer.document_id[0]
    # The second half of the file's identity would be drawn at random for each revision.
    writer._document_id[:] = ArrayObject([ByteStringObject(first), ByteStringObject(bytes(reversed(first)))])
    writer._meta = DatedThen()
    meta = signers.PdfSignatureMetadata(
        field_name=FIELD,
        name=own.subject,
        reason=reason,
        md_algorithm="sha256",
        subfilter=fields.SigSeedSubFilter.PADES,
        certify=True,
        docmdp_permissions=fields.MDPPerm.NO_CHANGES,
    )
    return bytes(_own_loop(lambda: At(meta, signer=signer).sign_pdf(writer)).getvalue())


def read_signature(data: bytes, *, with_seal: Seal | None = None) -> SignatureState:
    """What the signature inside ``data`` says when only this firm's root is trusted; fetches nothing."""
    from asn1crypto import x509 as asn1_x509
    from pyhanko.pdf_utils.misc import PdfError
    from pyhanko.pdf_utils.reader import PdfFileReader
    from pyhanko.sign.general import SigningError, ValueErrorWithMessage
    from pyhanko.sign.validation import SignatureCoverageLevel, validate_pdf_signature
    from pyhanko_certvalidator import ValidationContext

    own = with_seal or seal()
    root = asn1_x509.Certificate.load(own.root.public_bytes(serialization.Encoding.DER))
    try:
        found = PdfFileReader(io.BytesIO(data)).embedded_signatures
        if not found:
            return SignatureState(is_signed=False)
        trust = ValidationContext(trust_roots=[root], allow_fetching=False, moment=_moment(found[0]))
        with _quiet():
            state = _own_loop(lambda: validate_pdf_signature(found[0], trust))
    except (PdfError, SigningError, ValueErrorWithMessage, ValueError, KeyError, TypeError, OSError):
        # A mangled file fails anywhere in the reader; whatever it is, it is not what was signed.
        return SignatureState(is_signed=b"/ByteRange" in data)
    return SignatureState(
        is_signed=True,
        is_intact=bool(state.intact and state.valid),
        covers_all=state.coverage == SignatureCoverageLevel.ENTIRE_FILE and len(found) == 1,
        is_trusted=bool(state.trusted),
        signer=state.signing_cert.subject.native.get("common_name", ""),
        signed_at=found[0].self_reported_timestamp,
    )


def _own_loop(work: Callable[[], Any]) -> Any:
    """Do ``work``, which starts an event loop, also where the calling thread runs one already."""
    try:
        asyncio.get_running_loop()
    except RuntimeError:
        return work()
    with ThreadPoolExecutor(max_workers=1) as other_thread:
        return other_thread.submit(work).result()


def _moment(signature: Any) -> datetime:
    """The certificate is judged as of the day of signing: a paper outlives the key that signed it."""
    told: datetime | None = signature.self_reported_timestamp
    return told if told is not None else datetime.now(UTC)


@contextmanager
def _quiet() -> Iterator[None]:
    logger = logging.getLogger("pyhanko")
    before = logger.level
    logger.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        logger.setLevel(before)
