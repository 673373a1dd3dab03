"""The broker's certificate, or ours, is the wrong one or has run out, and is put right."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

from tests.adapters.test_mqtt import make_certificates
from tests.faults.rig import Rig
from tests.faults.tally import Tally
from tests.servers import HOST, Mosquitto, find_program, free_port, wait_until

FAULTS = (
    ("broker.pem", "broker-old.pem", "has run out"),
    ("client.pem", "client-old.pem", "has run out"),
    ("broker.pem", "broker-elsewhere.pem", "the certificate bears"),
    ("broker.pem", "broker-stranger.pem", "not trusted"),
    ("client.pem", "client-stranger.pem", "refuses our certificate"),
)


def make_more_certificates(folder: Path) -> None:
    """For the broker: one for another name, and one by an authority that nobody trusts."""
    openssl = find_program("openssl", "openssl")
    (folder / "elsewhere").write_text("subjectAltName=DNS:elsewhere.example\n")
    for authority, names, made in (("ca", "elsewhere", "elsewhere"), ("stranger", "san", "stranger")):
        words = ["x509", "-req", "-in", "broker.csr", "-CA", f"{authority}.pem", "-CAkey", f"{authority}.key"]
        words += ["-CAcreateserial", "-extfile", names, "-out", f"broker-{made}.pem"]
        subprocess.run([openssl, *words], cwd=folder, check=True, capture_output=True)


def test_a_certificate_is_wrong_or_has_run_out(tmp_path: Path, tally: Tally, long: bool) -> None:
    """Meanwhile the broker keeps what probes without encryption send it."""
    make_certificates(tmp_path)
    make_more_certificates(tmp_path)
    used = tmp_path / "used"
    used.mkdir()
    for name in ("broker.pem", "client.pem"):
        shutil.copy(tmp_path / name, used)
    secure = free_port()
    extra = (
        f"listener {secure} {HOST}\ncertfile {used}/broker.pem\nkeyfile {tmp_path}/broker.key\n"
        f"cafile {tmp_path}/ca.pem\nrequire_certificate true"
    )
    recovered = []
    with (
        Mosquitto(tmp_path / "broker", extra_conf=extra) as broker,
        Rig(tmp_path, secure, flow_port=broker.port) as rig,
    ):
        text = rig.ground.config.read_text()
        rig.ground.config.write_text(
            text.replace(
                f'[broker]\nhost = "{HOST}"',
                f'[broker]\nhost = "{HOST}"\ntls = true\nca_file = "{tmp_path}/ca.pem"\n'
                f'cert_file = "{used}/client.pem"\nkey_file = "{tmp_path}/client.key"',
            )
        )
        rig.start()
        for place, wrong, reason in FAULTS * 3 if long else FAULTS[:2]:
            for certificate in (wrong, place):
                rig.flow.wait_for_more(25)
                shutil.copy(tmp_path / certificate, used / place)
                # A connection that stands is not asked again: the broker has to start anew.
                if certificate == wrong or place == "broker.pem":
                    with rig.flow.paused():
                        broker.stop()
                        broker.start()
                if certificate == wrong:
                    wait_until(lambda: reason in rig.daemon.status, 100.0, f"{wrong}: {reason}")  # noqa: B023
            recovered.append(rig.moving(120.0))
        sent, lost = rig.settle()
    tally.note("certificate wrong or expired, then mended", sent=sent, lost=lost, recovered_s=recovered)
    assert lost == 0
