"""The far end: a small HTTP server on a wired machine, for transfers over the laptop's link.

Plain HTTP/1.1, so that curl can talk to it. ``GET /`` says who it is; all else needs HTTP Digest authentication
(RFC 7616) as the user ``linktrial`` with the pairing token as the password:

    GET /bytes?count=N      N incompressible bytes
    PUT /bytes              takes a body, throws it away, and answers how many bytes came and when
    GET /claim?seconds=S    asks for the link for S seconds: 200, or 409 while another has it; DELETE gives it back

What it will not do stands in ``limits``; it opens no file once it runs.
"""

PROTOCOL = 1
DEFAULT_PORT = 47317
SERVICE_TYPE = "_linktrial._tcp.local."
USER = REALM = "linktrial"
