"""The demo's fleet file and settings: an invented valley, written down as a user would write their own.

In: the simulated valley, the addresses of the demo's own servers. Out: the text of fleet.toml, a Settings object.
May import: simulator, monitor.settings. Touches nothing.
"""

from pathlib import Path

from pydantic import SecretStr

from monitor.settings import Broker, CallOuts, Recipient, Settings, Smtp, Webhook
from simulator.climate import CLIMATES
from simulator.fleet import HEATER_TEXT, Site, Unit
from simulator.scenario import Scenario

# Addresses of the invented sites; the phone numbers are of the range kept for stories.
ADDRESSES = {
    "waterworks": ("Tarn Road, above the weir", "the gate code is with the shift desk"),
    "harbour": ("Lower Quay, shed 4", "ring the harbour office, the quay is locked at night"),
    "clinic": ("Orchard Lane 12, plant yard", "sign in at the porter's lodge"),
    "school": ("Mill Street 1, behind the gymnasium", "the caretaker has the key"),
}
HEAD = """\
# The fleet of the demo: an invented valley. Written anew at each start of the demo; copy it to begin one of your own.
"""


def fleet_text(valley: Scenario) -> str:
    """fleet.toml of the simulated units, with what only people know: addresses, keys, whom to call."""
    return "\n".join([HEAD, *(_site_text(site) for site in valley.sites), *(_unit_text(unit) for unit in valley.units)])


def _site_text(site: Site) -> str:
    address, access = ADDRESSES[site.id]
    climate = CLIMATES[site.climate]
    return f"""\
[sites.{site.id}]
name = "{site.name}"
timezone = "{site.timezone}"
latitude = {climate.latitude}
longitude = {climate.longitude}
visit_rule = "{site.visit_rule}"
address = "{address}"
access = "{access}"
contacts = [{{ role = "monitoring station", name = "Valley alarm desk", phone = "+1 303 555 0100" }}]
"""


def _unit_text(unit: Unit) -> str:
    protects = f'protects = "{unit.protects}"\n' if unit.protects else ""
    return f"""\
[units.{unit.id}]
site = "{unit.site}"
name = "{unit.name}"
battery_nominal_voltage = {12 * unit.blocks}
battery_type = "{unit.battery_type}"
jacket_heater = "{unit.heater}"
exercise_rule = "{unit.exercise_rule}"
gateway = "{unit.gateway}"
{protects}equipment = {{ heater = "{HEATER_TEXT[unit.size]}", battery = "{unit.blocks} x 12 V {unit.battery_type}" }}
"""


def demo_settings(
    *,
    data: Path,
    fleet: Path,
    listen: str,
    page_url: str,
    broker_url: str,
    smtp_port: int,
    webhook_url: str,
    secret: str,
) -> Settings:
    """What serve is told: the demo's own servers, and short waits so that nothing is missed while looking on.

    Args:
        listen: HOST:PORT of the pages. page_url: what links in messages begin with. secret: of the webhook.
    """
    return Settings(
        data=data,
        fleet=fleet,
        listen=listen,
        public_url=page_url,
        broker=Broker(url=broker_url, client_id="stillready-demo", reconnect_least=0.2, reconnect_greatest=2.0),
        call_outs=CallOuts(
            smtp=Smtp(host="127.0.0.1", port=smtp_port, security="none", sender="stillready@valley.example"),
            emails=(Recipient(name="Technician on duty", email="duty@valley.example"),),
            webhooks=(Webhook(url=webhook_url, secret=SecretStr(secret)),),
            retry_first=1.0,
            retry_greatest=10.0,
        ),
    )
