"""A real IMAP server for one run of the tests: Debian's dovecot, on free ports of this machine, with nothing
of the machine's own set-up and no right that an ordinary user lacks."""

import contextlib
import imaplib
import os
import secrets
import shutil
import socket
import subprocess
import tempfile
import threading
import time
from pathlib import Path

from tests.system import NEEDS

CONFIGURATION = """
protocols = imap
listen = 127.0.0.1
base_dir = {home}/run
state_dir = {home}/state
log_path = {home}/log
default_internal_user = {user}
default_internal_group = {group}
default_login_user = {user}
first_valid_uid = 1
last_valid_uid = 0
disable_plaintext_auth = no
auth_failure_delay = 0 secs
ssl = yes
ssl_cert = <{home}/certificate.pem
ssl_key = <{home}/key.pem
mail_location = maildir:{home}/mail/%u
passdb {{
  driver = static
  args = password={password}
}}
userdb {{
  driver = static
  args = uid={uid} gid={gid} home={home}/mail/%u
}}
service imap-login {{
  chroot =
  inet_listener imap {{
    port = {plain}
  }}
  inet_listener imaps {{
    port = {tls}
  }}
}}
service anvil {{
  chroot =
}}
"""


class ImapServer:
    """Anybody may sign in with the password; each name has a mailbox of its own, made at first use."""

    def __init__(self):
        self.password = "p@ss/w:rd%-" + secrets.token_hex(4)  # what a URL must carry escaped
        # Root is refused by the server's own programs; Debian's package brings a user for it.
        self.user = "dovecot" if os.geteuid() == 0 else None
        # Not below pytest's folder, which only its owner may enter.
        self.home = Path(tempfile.mkdtemp(prefix="second-seat-imap."))
        self.plain, self.tls = free_ports(2)

    def __enter__(self):
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
             "-days", "2", "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost",
             "-keyout", self.home / "key.pem", "-out", self.home / "certificate.pem"],
            check=True, capture_output=True,
        )  # fmt: skip
        if self.user:
            for path in (self.home, *self.home.iterdir()):
                shutil.chown(path, self.user, self.user)
        whose = self.home.stat()
        (self.home / "dovecot.conf").write_text(
            CONFIGURATION.format(
                home=self.home, password=self.password.replace("%", "%%"), plain=self.plain, tls=self.tls,
                user=self.home.owner(), group=self.home.group(), uid=whose.st_uid, gid=whose.st_gid,
            )
        )  # fmt: skip
        as_user = {"user": self.user, "group": self.user, "extra_groups": []} if self.user else {}
        command = [NEEDS["dovecot"].find(), "-F", "-c", self.home / "dovecot.conf"]
        self.process = subprocess.Popen(command, cwd="/", stderr=subprocess.DEVNULL, **as_user)
        try:
            self.wait()
        except BaseException:
            self.__exit__()
            raise
        return self

    def wait(self):
        deadline, pause = time.monotonic() + 30, threading.Event()
        while True:
            try:
                self.signed_in("first").logout()
                return
            except (OSError, imaplib.IMAP4.abort) as error:
                if self.process.poll() is not None or time.monotonic() > deadline:
                    log = self.home / "log"
                    words = log.read_text() if log.exists() else "no log"
                    raise RuntimeError(f"dovecot did not start: {words}") from error
                pause.wait(0.05)

    def __exit__(self, *args):
        self.process.terminate()
        self.process.wait(30)
        shutil.rmtree(self.home)

    @property
    def certificate(self):
        return self.home / "certificate.pem"

    def signed_in(self, name):
        client = imaplib.IMAP4("127.0.0.1", self.plain, timeout=10)
        try:
            client.login(name, self.password)
        except imaplib.IMAP4.error:
            client.shutdown()
            raise
        return client

    def put(self, name, *messages, folder="INBOX"):
        """Puts messages into somebody's mailbox, unread."""
        client = self.signed_in(name)
        for message in messages:
            assert client.append(folder, None, None, message)[0] == "OK"
        client.logout()

    def unread(self, name, folder="INBOX"):
        """How many messages of a mailbox are unread."""
        client = self.signed_in(name)
        client.select(folder, readonly=True)
        found = client.search(None, "UNSEEN")[1][0].split()
        client.logout()
        return len(found)


def free_ports(count):
    """Ports that are free; all are held until the last is found, so that none comes twice."""
    with contextlib.ExitStack() as held:
        sockets = [held.enter_context(socket.create_server(("127.0.0.1", 0))) for _ in range(count)]
        return [one.getsockname()[1] for one in sockets]
