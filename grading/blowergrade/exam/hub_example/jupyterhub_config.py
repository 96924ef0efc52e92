"""An exam service beside a JupyterHub: what the Hub's configuration needs. Copy it into your own and change the addresses.

The service runs by itself, under its own name and on its own port, so that a restart of the Hub does not end an exam, and so
that no student's notebook server shares an origin or a cookie with it:

    export JUPYTERHUB_API_URL=http://127.0.0.1:8081/hub/api
    export JUPYTERHUB_API_TOKEN_FILE=/etc/exam/hub-token
    export BLOWERGRADE_HUB=https://hub.school.example
    blowergrade exam serve FOLDER --hub https://exam.school.example:8444 --certificate FILE --key FILE

A Hub user is the candidate whose id is the user's name. Members of the group `proctors` open the proctor's page. A token that
was revoked is refused after 10 s at most (`blowergrade.exam.hub.CACHE_SECONDS`; JupyterHub's own default is 300 s).
"""

from pathlib import Path

TOKEN = Path("/etc/exam/hub-token")  # one line: openssl rand -hex 32 > /etc/exam/hub-token; readable by the two services only
ADDRESS = "https://exam.school.example:8444"  # the exam service, as a browser sees it

c = get_config()  # type: ignore[name-defined]  # noqa: F821 - JupyterHub puts it here

c.JupyterHub.custom_scopes = {"custom:exam:proctor": {"description": "Open the proctor's page of the exam"}}
c.JupyterHub.services = [
    {
        "name": "exam",
        "api_token": TOKEN.read_text(encoding="ascii").strip(),
        "oauth_client_id": "service-exam",
        "oauth_redirect_uri": f"{ADDRESS}/oauth_callback",
        "oauth_client_allowed_scopes": ["custom:exam:proctor"],
        "oauth_no_confirm": True,
    }
]
c.JupyterHub.load_groups = {"proctors": {"users": []}}
c.JupyterHub.load_roles = [
    {"name": "user", "scopes": ["self", "access:services!service=exam"]},
    {"name": "exam-proctor", "scopes": ["custom:exam:proctor", "access:services!service=exam"], "groups": ["proctors"]},
]
