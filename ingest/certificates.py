"""A client's certificate, signed with openssl by the shop's own authority (deploy/tls/make makes that)."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Final

from baulk.ingest.errors import DeviceError

PASSPHRASE: Final = "BAULK_CA_PASSPHRASE"  # noqa: S105 - the name of the variable
DAYS: Final = 397
_EXTENSIONS: Final = (
    "basicConstraints=critical,CA:FALSE\n"
    "keyUsage=critical,digitalSignature\n"
    "subjectKeyIdentifier=hash\n"
    "authorityKeyIdentifier=keyid\n"
    "extendedKeyUsage=clientAuth\n"
)


def for_client(authority: Path, name: str) -> tuple[Path, Path]:
    """Make key and certificate of a client beside the authority's; give certificate and key.

    Parameters
    ----------
    authority : Path
        Folder with ca.crt and ca.key.
    name : str
        Letters, digits, dots, dashes and underscores.

    Raises
    ------
    DeviceError
        If there is no authority, its key is locked, or openssl is missing or refuses.
    """
    program = shutil.which("openssl")
    if program is None:
        raise DeviceError("certificates are made with openssl, which is not installed on this machine")
    for each in ("ca.crt", "ca.key"):
        if not (authority / each).is_file():
            raise DeviceError(f"there is no {each} in {authority}; deploy/tls/make makes an authority")
    unlock = ["-passin", f"env:{PASSPHRASE}"] if os.environ.get(PASSPHRASE) else []
    made, key = authority / f"{name}.crt", authority / f"{name}.key"
    with tempfile.TemporaryDirectory(dir=authority) as part:
        folder = Path(part)
        (folder / "extensions").write_text(_EXTENSIONS, encoding="ascii")
        _run(
            *(program, "req", "-new", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"),
            *("-subj", f"/CN={name}", "-keyout", str(folder / "key"), "-out", str(folder / "csr")),
        )
        _run(
            *(program, "x509", "-req", "-in", str(folder / "csr"), "-CA", str(authority / "ca.crt")),
            *("-CAkey", str(authority / "ca.key"), *unlock, "-CAcreateserial", "-days", str(DAYS), "-sha256"),
            *("-extfile", str(folder / "extensions"), "-out", str(folder / "crt")),
        )
        (folder / "key").chmod(0o600)
        (folder / "key").replace(key)
        (folder / "crt").replace(made)
    return made, key


def _run(*words: str) -> None:
    done = subprocess.run(  # noqa: S603 - our own words, no shell; no terminal that it could ask
        words, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False, start_new_session=True
    )
    if done.returncode:
        locked = "pass phrase" in done.stderr.lower() or "passphrase" in done.stderr.lower()
        why = f"its key is locked: set {PASSPHRASE}" if locked else (done.stderr.strip() or "no word why")
        raise DeviceError(f"openssl does not sign with this authority: {why.splitlines()[-1]}")
