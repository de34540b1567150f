"""A small OpenID Connect provider on this machine: discovery, code flow and a signed token for one person."""

import base64
import http.server
import json
import secrets
import threading
import time
import urllib.parse

from joserfc import jwt
from joserfc.jwk import RSAKey

KEY = RSAKey.generate_key(2048, {"kid": "one"})


class _Provider(http.server.BaseHTTPRequestHandler):
    codes: dict[str, dict[str, str]] = {}  # noqa: RUF012 - shared by all of its requests on purpose
    email = "ida@example.org"

    def log_message(self, *words):
        """Stay quiet."""

    def _json(self, body):
        raw = json.dumps(body).encode()
        self.send_response(200)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(raw)))
        self.end_headers()
        self.wfile.write(raw)

    def do_GET(self):
        base = f"http://127.0.0.1:{self.server.server_address[1]}"
        parts = urllib.parse.urlsplit(self.path)
        if parts.path == "/.well-known/openid-configuration":
            self._json(
                {
                    "issuer": base,
                    "authorization_endpoint": f"{base}/authorize",
                    "token_endpoint": f"{base}/token",
                    "jwks_uri": f"{base}/keys",
                    "response_types_supported": ["code"],
                    "subject_types_supported": ["public"],
                    "id_token_signing_alg_values_supported": ["RS256"],
                }
            )
        elif parts.path == "/keys":
            self._json({"keys": [KEY.as_dict(private=False)]})
        elif parts.path == "/authorize":
            asked = dict(urllib.parse.parse_qsl(parts.query))
            code = secrets.token_urlsafe(8)
            self.codes[code] = asked
            back = urllib.parse.urlencode({"code": code, "state": asked["state"]})
            self.send_response(302)
            self.send_header("Location", f"{asked['redirect_uri']}?{back}")
            self.end_headers()
        else:
            self.send_error(404)

    def do_POST(self):
        base = f"http://127.0.0.1:{self.server.server_address[1]}"
        given = dict(urllib.parse.parse_qsl(self.rfile.read(int(self.headers["Content-Length"])).decode()))
        basic = self.headers.get("Authorization", "")
        client = (
            given.get("client_id") or base64.b64decode(basic.removeprefix("Basic ")).decode().split(":")[0]
        )
        asked = self.codes.pop(given["code"])
        now = int(time.time())
        claims = {
            "iss": base,
            "sub": "1",
            "aud": client,
            "iat": now,
            "exp": now + 600,
            "email": self.email,
            "email_verified": True,
        }
        if "nonce" in asked:
            claims["nonce"] = asked["nonce"]
        token = jwt.encode({"alg": "RS256", "kid": "one"}, claims, KEY)
        self._json({"access_token": "a", "token_type": "Bearer", "expires_in": 600, "id_token": token})


class Provider:
    """The provider, running until closed."""

    def __init__(self, email):
        handler = type("Handler", (_Provider,), {"email": email, "codes": {}})
        self._server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler)
        self.base = f"http://127.0.0.1:{self._server.server_address[1]}"
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    def close(self):
        self._server.shutdown()
        self._server.server_close()
