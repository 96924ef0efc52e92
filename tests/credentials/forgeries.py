"""Forged and damaged certificates, as a table: how each is made, which check refuses it, with which words."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from typing import Any

from credentials.school import ISSUED, NOW, School, b64, payload_of, token
from cryptography.hazmat.primitives.asymmetric import ed25519, rsa
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from blowergrade.credentials import keys, proof
from blowergrade.credentials.verify import Verdict, verify

Forge = Callable[[School, School], bytes | str]
ATTACKER = rsa.generate_private_key(public_exponent=65537, key_size=3072)


def judged(school: School, data: bytes | str) -> Verdict:
    return verify(data, [school.document], school.listed.jwt, NOW)


def dumped(document: Any) -> bytes:
    return json.dumps(document).encode()


def with_value(document: dict[str, Any], value: Any, *path: str | int) -> dict[str, Any]:
    """A copy of `document` with `value` at the end of `path`."""
    made = copy.deepcopy(document)
    place: Any = made
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    return made


def changed(value: Any, *path: str | int) -> Forge:
    return lambda school, rival: dumped(with_value(school.json, value, *path))


def header(school: School, **more: Any) -> dict[str, Any]:
    return {"alg": "RS256", "typ": "JWT", "kid": school.document.signing("RSA").id, **more}


def by_school(school: School, head: dict[str, Any] | str, payload: dict[str, Any] | str) -> str:
    """What the school's own RSA key would sign: for rules that must hold even then."""
    return token(head, payload, own_rsa(school))


def resigned(school: School, document: dict[str, Any], key: ed25519.Ed25519PrivateKey, method: str) -> bytes:
    return dumped(proof.sign(document, key, method, "2027-03-01T09:00:00Z"))


def own_key(school: School) -> ed25519.Ed25519PrivateKey:
    key = school.signers.ed25519
    assert isinstance(key, ed25519.Ed25519PrivateKey)
    return key


def own_rsa(school: School) -> rsa.RSAPrivateKey:
    key = school.signers.rsa
    assert isinstance(key, rsa.RSAPrivateKey)
    return key


def public_pem(school: School) -> bytes:
    return school.document.signing("RSA").public().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)


def doubled(school: School, rival: School) -> bytes:
    """A second score before the signed one: readers differ in which of the two they show."""
    text = json.dumps(school.json)
    return text.replace('"value": "86.5"', '"value": "100", "value": "86.5"').encode()


def doubled_claim(school: School, rival: School) -> str:
    text = json.dumps(payload_of(school.jwt), separators=(",", ":")).replace('"value":"86.5"', '"value":"100","value":"86.5"')
    return by_school(school, header(school), text)


def other_payload(school: School, payload: dict[str, Any]) -> str:
    """The true token with another payload under its header and signature."""
    head, _, signature = school.jwt.split(".")
    return ".".join((head, b64(json.dumps(payload, separators=(",", ":")).encode()), signature))


def rivals_own(school: School, rival: School) -> bytes:
    """The rival's certificate under the school's name, signed with the rival's key."""
    document = {**rival.unsigned, "issuer": school.unsigned["issuer"]}
    return resigned(rival, document, own_key(rival), rival.document.signing("Ed25519").id)


def with_method(school: School, name: str) -> bytes:
    """The certificate with another key named in its proof."""
    return dumped(with_value(school.json, name, "proof", 0, "verificationMethod"))


#: Each forgery, the check that refuses it, and words of the reason.
JSON_FORGERIES: dict[str, tuple[Forge, str, str]] = {
    "undefined term": (changed("yes", "credentialSubject", "isLicensed"), "profile", "unknown field `isLicensed`"),
    "undefined type": (changed(["VerifiableCredential", "AchievementCredential", "Licence"], "type"), "profile", "type"),
    "undefined term in a proof": (changed("gold", "proof", 0, "level"), "form", "unknown field `level`"),
    "changed score": (changed("99", "credentialSubject", "result", 0, "value"), "signature", "does not hold"),
    "changed name": (changed("Robin Ashdowne", "credentialSubject", "identifier", 1, "identityHash"), "signature", "not hold"),
    "changed end": (changed("2099-01-01T00:00:00Z", "validUntil"), "signature", "does not hold"),
    "stronger claim": (changed("Licensed technician.", "description"), "profile", "description"),
    "changed proof purpose": (changed("authentication", "proof", 0, "proofPurpose"), "form", "proofPurpose"),
    "other cryptosuite": (changed("ecdsa-rdfc-2019", "proof", 0, "cryptosuite"), "form", "cryptosuite"),
    "changed date of proof": (changed("2027-03-02T09:00:00Z", "proof", 0, "created"), "signature", "does not hold"),
    "extra proof": (lambda s, r: dumped({**s.json, "proof": s.json["proof"] + r.json["proof"]}), "form", "2 proofs"),
    "no proof": (lambda s, r: dumped(s.unsigned), "form", "no array of proofs"),
    "proof not in an array": (lambda s, r: dumped({**s.json, "proof": s.json["proof"][0]}), "form", "no array of proofs"),
    "foreign context": (changed("https://evil.example/context.jsonld", "@context", 1), "profile", "@context"),
    "added context": (
        lambda s, r: dumped({**s.json, "@context": [*s.json["@context"], {"@vocab": "https://evil.example/"}]}),
        "profile", "@context",
    ),
    "signature cut off": (
        lambda s, r: dumped(with_value(s.json, s.json["proof"][0]["proofValue"][:-1], "proof", 0, "proofValue")),
        "signature", "does not hold",
    ),
    "signature of another length": (changed("z" + "1" * 85, "proof", 0, "proofValue"), "signature", "does not hold"),
    "key of another issuer": (lambda s, r: with_method(s, r.document.signing("Ed25519").id), "key", "none of this issuer's"),
    "key of the wrong kind": (lambda s, r: with_method(s, s.document.signing("RSA").id), "key", "of the kind RSA"),
    "another key under the right name": (
        lambda s, r: resigned(s, s.unsigned, own_key(r), s.document.signing("Ed25519").id), "signature", "does not hold",
    ),
    "the school's name over another's certificate": (rivals_own, "key", "none of this issuer's"),
    "another issuer": (lambda s, r: r.issued.signed.json, "issuer", "none of those whose document you trust"),
    "duplicate member": (doubled, "form", "'value' stands there twice"),
    "results in another order": (
        lambda s, r: dumped(with_value(s.json, s.json["credentialSubject"]["result"][::-1], "credentialSubject", "result")),
        "profile", "result",
    ),
    "a number for a text": (changed(86.5, "credentialSubject", "result", 0, "value"), "profile", "value"),
    "null for nothing": (changed(None, "validUntil"), "profile", "validUntil"),
    "text for truth": (changed("true", "credentialSubject", "identifier", 0, "hashed"), "profile", "hashed"),
    "an unprintable sign": (changed("R\u0000", "credentialSubject", "identifier", 1, "identityHash"), "form", "U+0000"),
}  # fmt: skip


def headed(**more: Any) -> Forge:
    """The true content under a changed header, signed by the school's own key."""
    return lambda school, rival: by_school(school, header(school, **more), payload_of(school.jwt))


def claiming(**more: Any) -> Forge:
    """Changed content under the true header, signed by the school's own key."""
    return lambda school, rival: by_school(school, header(school), {**payload_of(school.jwt), **more})


def by_secret(alg: str) -> Forge:
    """HMAC with the public key as its secret: a verifier that believes the header takes the one for the other."""
    return lambda school, rival: token(header(school, alg=alg), payload_of(school.jwt), public_pem(school))


JWT_FORGERIES: dict[str, tuple[Forge, str, str]] = {
    "alg none": (lambda s, r: token(header(s, alg="none"), payload_of(s.jwt), None), "form", "three parts"),
    "alg none with a signature": (headed(alg="none"), "form", "exactly alg RS256"),
    "HS256 with the public key": (by_secret("HS256"), "form", "exactly alg RS256"),
    "HS256 called RS256": (by_secret("RS256"), "signature", "does not hold"),
    "PS256": (headed(alg="PS256"), "form", "exactly alg RS256"),
    "key in the header": (
        lambda s, r: token(header(s, jwk=keys.jwk_of(ATTACKER.public_key())), payload_of(s.jwt), ATTACKER),
        "form", "unknown field `jwk`",
    ),
    "key address in the header": (headed(jku="https://evil.example/keys"), "form", "unknown field `jku`"),
    "critical extension": (headed(crit=["b64"], b64=False), "form", "unknown field"),
    "no kid": (lambda s, r: by_school(s, {"alg": "RS256", "typ": "JWT"}, payload_of(s.jwt)), "form", "kid"),
    "kid of another issuer": (lambda s, r: by_school(s, header(r), payload_of(s.jwt)), "key", "none of this issuer's"),
    "another key under the right kid": (
        lambda s, r: token(header(s), payload_of(s.jwt), ATTACKER), "signature", "does not hold",
    ),
    "kid of the Ed25519 key": (
        lambda s, r: by_school(s, header(s, kid=s.document.signing("Ed25519").id), payload_of(s.jwt)),
        "key", "of the kind Ed25519",
    ),
    "changed score": (
        lambda s, r: other_payload(s, with_value(payload_of(s.jwt), "99", "credentialSubject", "result", 0, "value")),
        "signature", "does not hold",
    ),
    "signature cut off": (lambda s, r: s.jwt[:-4], "signature", "does not hold"),
    # 384 bytes are 512 signs; 511 signs are 383 bytes and two bits that belong to none: "B" sets one of them
    "stray bits": (lambda s, r: s.jwt[:-2] + "B", "form", "stray bits"),
    "claim iss differs": (lambda s, r: claiming(iss=r.document.id)(s, r), "form", "claim iss"),
    "claim sub differs": (claiming(sub="urn:uuid:other"), "form", "claim sub"),
    "claim jti differs": (claiming(jti="urn:uuid:other"), "form", "claim jti"),
    "claim nbf differs": (claiming(nbf=0), "form", "claim nbf"),
    "claim nbf as a fraction": (claiming(nbf=float(ISSUED.timestamp())), "form", "claim nbf"),
    "claim exp differs": (claiming(exp=4102444800), "form", "claim exp"),
    "claim exp left out": (
        lambda s, r: by_school(s, header(s), {k: v for k, v in payload_of(s.jwt).items() if k != "exp"}), "form", "claim exp",
    ),
    "undefined member": (claiming(isLicensed="yes"), "profile", "isLicensed"),
    "old wrapping": (lambda s, r: by_school(s, header(s), {"vc": payload_of(s.jwt)}), "form", "lacks the member 'issuer'"),
    "duplicate member": (doubled_claim, "form", "'value' stands there twice"),
    "duplicate in the header": (
        lambda s, r: by_school(s, json.dumps(header(s))[:-1] + ', "alg": "RS256"}', payload_of(s.jwt)),
        "form", "'alg' stands there twice",
    ),
}  # fmt: skip


