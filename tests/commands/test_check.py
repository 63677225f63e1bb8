"""`check`: would the program run here, and could it reach a person? Against real servers on loopback."""

from pathlib import Path

import pytest
from aiosmtpd.controller import Controller

from monitor.commands.check import Grade, Looked, broker_look, looks, smtp_look
from monitor.commands.cli import run
from monitor.settings import Broker, CallOuts, Recipient, Settings, Smtp, Webhook
from tests.brokers import free_port, mosquitto

FLEET = (
    '[sites.mill]\ntimezone = "America/Denver"\nvisit_rule = "FREQ=WEEKLY;BYDAY=TH;BYHOUR=9"\n'
    '[units.mill-1]\nsite = "mill"\nbattery_type = "agm"\n'
)


@pytest.fixture
def mail_port():
    class Taking:
        async def handle_DATA(self, server: object, session: object, envelope: object) -> str:
            return "250 OK"

    controller = Controller(Taking(), hostname="127.0.0.1", port=free_port())
    controller.start()
    yield controller.port
    controller.stop()


def settings_in(folder: Path, **given: object) -> Settings:
    (folder / "fleet.toml").write_text(FLEET)
    broker = Broker(url=f"mqtt://127.0.0.1:{free_port()}")
    return Settings.model_validate({"fleet": folder / "fleet.toml", "data": folder / "data", "broker": broker} | given)


def looked_at(settings: Settings, what: str) -> list[Looked]:
    return [looked for looked in looks(settings) if looked.what == what]


def test_a_broker_that_does_not_answer_is_a_fault():
    looked = broker_look(Broker(url=f"mqtt://127.0.0.1:{free_port()}"))
    assert looked.grade is Grade.BAD
    assert looked.text.endswith("does not answer (Connection refused). Check host and port, and start it.")


def test_a_broker_that_lets_us_in_is_good(tmp_path: Path):
    with mosquitto(tmp_path) as broker:
        assert broker_look(Broker(url=broker.url)) == Looked(Grade.GOOD, "broker", f"{broker.url} lets us in")


def test_a_broker_that_refuses_us_is_a_fault(tmp_path: Path):
    with mosquitto(tmp_path, door="allow_anonymous false") as broker:
        looked = broker_look(Broker(url=broker.url))
    assert looked.grade is Grade.BAD
    assert "refused: Not authorized. Check user name, password" in looked.text


def test_a_host_that_does_not_exist_is_said_as_such():
    assert "no such host" in broker_look(Broker(url="mqtt://nowhere.invalid")).text


def test_a_server_that_speaks_no_mqtt_is_a_fault(mail_port: int):
    looked = broker_look(Broker(url=f"mqtt://127.0.0.1:{mail_port}"), answer_s=0.2)
    assert looked.grade is Grade.BAD
    assert "is no MQTT 5 broker, or expects TLS" in looked.text


def test_a_mail_server_that_answers_is_good_and_one_that_cannot_encrypt_is_not(mail_port: int):
    assert smtp_look(Smtp(host="127.0.0.1", port=mail_port, security="none")).grade is Grade.GOOD
    looked = smtp_look(Smtp(host="127.0.0.1", port=mail_port, security="starttls"))
    assert looked.grade is Grade.BAD
    assert "does not do what was asked" in looked.text
    looked = smtp_look(Smtp(host="127.0.0.1", port=free_port(), security="none"))
    assert looked.grade is Grade.BAD
    assert "does not answer" in looked.text


def test_call_outs_that_no_phone_rings_for_are_warned_of(tmp_path: Path):
    webhook = Webhook(url="https://hooks.example/in", secret="whsec_AAAA")
    silent = settings_in(tmp_path, call_outs=CallOuts(webhooks=(webhook,)))
    assert [looked.grade for looked in looked_at(silent, "call-outs")] == [Grade.DOUBTFUL]
    assert looked_at(silent, "call-outs")[0].text.startswith("No step of a call-out can ring a phone")
    ringing = webhook.model_copy(update={"rings_phone": True})
    assert looked_at(settings_in(tmp_path, call_outs=CallOuts(webhooks=(ringing,))), "call-outs") == []


def test_nobody_to_call_is_a_fault(tmp_path: Path):
    assert looked_at(settings_in(tmp_path), "call-outs")[0].grade is Grade.BAD
    no_server = CallOuts(emails=(Recipient(name="Ann", email="ann@example.org"),))
    looked = looked_at(settings_in(tmp_path, call_outs=no_server), "call-outs")[0]
    assert looked.grade is Grade.BAD
    assert "call_outs.smtp no mail server" in looked.text


def test_a_secret_that_signs_nothing_is_a_fault_and_is_not_repeated(tmp_path: Path):
    webhook = Webhook(url="https://hooks.example/in", secret="whsec_!?!", rings_phone=True)
    looked = looked_at(settings_in(tmp_path, call_outs=CallOuts(webhooks=(webhook,))), "call-outs")
    assert [one.grade for one in looked] == [Grade.BAD]
    assert looked[0].text.startswith("The secret of the webhook https://hooks.example/in cannot be read.")
    assert "!?!" not in looked[0].text


def test_faults_of_fleet_and_limits_are_listed_one_by_one(tmp_path: Path):
    settings = settings_in(tmp_path, limits=tmp_path / "limits.toml")
    (tmp_path / "limits.toml").write_text("[fleet.gas_presure.stopped]\n[flet]\n")
    assert [looked.grade for looked in looked_at(settings, "limits")] == [Grade.BAD, Grade.BAD]
    (tmp_path / "fleet.toml").write_text('[sites.mill]\nnam = "x"\n[units.mill-1]\nsite = "mil"\n')
    assert [looked.grade for looked in looked_at(settings, "fleet")] == [Grade.BAD, Grade.BAD]


def test_what_is_assumed_of_sites_and_units_is_named(tmp_path: Path):
    settings = settings_in(tmp_path)
    (tmp_path / "fleet.toml").write_text('[sites.mill]\n[units.mill-1]\nsite = "mill"\n')
    said = " ".join(looked.text for looked in looks(settings) if looked.grade is Grade.DOUBTFUL)
    assert "neither visits nor visit_rule: seven days are assumed" in said
    assert "gives no timezone, UTC is assumed" in said
    assert "No battery_type for 1 unit (first: mill-1)" in said


def test_a_data_folder_that_is_a_file_is_a_fault(tmp_path: Path):
    (tmp_path / "data").write_text("")
    looked = looked_at(settings_in(tmp_path), "data")[0]
    assert looked.grade is Grade.BAD
    assert "cannot be written to" in looked.text


def test_a_secrets_file_that_others_can_read_is_warned_of(tmp_path: Path):
    path = tmp_path / "secrets.toml"
    path.write_text("")
    path.chmod(0o644)
    assert looked_at(settings_in(tmp_path, secrets_file=path), "secrets")[0].grade is Grade.DOUBTFUL
    path.chmod(0o600)
    assert looked_at(settings_in(tmp_path, secrets_file=path), "secrets")[0].grade is Grade.GOOD


def test_the_exit_code_says_whether_it_would_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    (tmp_path / "fleet.toml").write_text(FLEET)
    monkeypatch.chdir(tmp_path)
    assert run(["check", "--broker", f"mqtt://127.0.0.1:{free_port()}"]) == 1
    said = capsys.readouterr()
    assert "fault    broker" in said.out
    assert "2 faults to mend" in said.err, "no broker, nobody to call"
