"""TLS with certificates on both sides: what the daemon and ``hatchmon check`` say, and how it is mended."""

from __future__ import annotations

import shutil
from pathlib import Path

from tests.adapters.test_mqtt import make_certificates
from tests.servers import HOST, Mosquitto, wait_until
from tests.system.daemon import Daemon, Ground


def test_a_certificate_that_has_run_out_is_told_and_a_new_one_is_taken_up(tmp_path: Path) -> None:
    make_certificates(tmp_path)
    ours = tmp_path / "hatchmon.pem"
    shutil.copy(tmp_path / "client-old.pem", ours)
    extra = (
        f"certfile {tmp_path}/broker.pem\nkeyfile {tmp_path}/broker.key\ncafile {tmp_path}/ca.pem\n"
        "require_certificate true\nuse_identity_as_username true\nallow_anonymous false"
    )
    with Mosquitto(tmp_path / "broker", extra_conf=extra) as broker:
        ground = Ground(tmp_path / "hatchmon", broker.port)
        text = ground.config.read_text()
        ground.config.write_text(
            text.replace(
                f'[broker]\nhost = "{HOST}"',
                f'[broker]\nhost = "{HOST}"\ntls = true\nca_file = "{tmp_path}/ca.pem"\n'
                f'cert_file = "{ours}"\nkey_file = "{tmp_path}/client-locked.key"',
            )
        )

        def broker_line() -> str:
            said = ground.cli("check", HATCHMON_BROKER__KEY_PASSWORD="tin of cysts").stdout
            return next(line for line in said.splitlines() if " broker: " in line)

        assert "is locked by a password: set broker.key_password" in ground.cli("check").stdout
        assert "(broker.cert_file): it has run out; make a new one" in broker_line()
        credentials = tmp_path / "credentials"
        credentials.mkdir()
        (credentials / "broker.key_password").write_text("tin of cysts\n")
        shutil.copy(tmp_path / "client-locked.key", credentials / "broker.key_file")
        with Daemon(ground, CREDENTIALS_DIRECTORY=str(credentials)) as daemon:
            wait_until(lambda: "it has run out; make a new one" in daemon.status, 15.0, "the reason")
            assert "tin of cysts" not in daemon.log()
            shutil.copy(tmp_path / "client.pem", ours)
            wait_until(daemon.connected, 60.0, "the new certificate to be taken up")
        assert broker_line().startswith("ok ")
