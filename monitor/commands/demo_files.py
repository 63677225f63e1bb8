"""The demo's fleet file and settings: an invented valley, written down as a user would write their own.

In: the simulated units, the addresses of the demo's own servers. Out: the text of fleet.toml, a Settings object.
May import: simulator.units, monitor.settings. Touches nothing.
"""

from pathlib import Path

from pydantic import SecretStr

from monitor.settings import Broker, CallOuts, Recipient, Settings, Smtp, Webhook
from simulator.units import SITES, TIMEZONE, UNITS, Site, Unit

DAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")
# Visits and addresses of the invented sites; the phone numbers are of the range kept for stories.
VISITS = {"waterworks": "TH;BYHOUR=9", "harbour": "FR;BYHOUR=8", "clinic": "TU;BYHOUR=13", "school": "MO;BYHOUR=10"}
ADDRESSES = {
    "waterworks": ("Tarn Road, above the weir", "the gate code is with the shift desk"),
    "harbour": ("Lower Quay, shed 4", "ring the harbour office, the quay is locked at night"),
    "clinic": ("Orchard Lane 12, plant yard", "sign in at the porter's lodge"),
    "school": ("Mill Street 1, behind the gymnasium", "the caretaker has the key"),
}
HEAD = """\
# The fleet of the demo: an invented valley. Written anew at each start of the demo; copy it to begin one of your own.
"""


def visit_rule(site: str) -> str:
    """When somebody looks after a site."""
    return f"FREQ=WEEKLY;BYDAY={VISITS[site]};BYMINUTE=0"


def fleet_text() -> str:
    """fleet.toml of the simulated units."""
    return "\n".join([HEAD, *(_site_text(site) for site in SITES), *(_unit_text(unit) for unit in UNITS)])


def _site_text(site: Site) -> str:
    address, access = ADDRESSES[site.id]
    return f"""\
[sites.{site.id}]
name = "{site.name}"
timezone = "{TIMEZONE}"
latitude = {site.latitude}
longitude = {site.longitude}
visit_rule = "{visit_rule(site.id)}"
address = "{address}"
access = "{access}"
contacts = [{{ role = "monitoring station", name = "Valley alarm desk", phone = "+1 303 555 0100" }}]
"""


def _unit_text(unit: Unit) -> str:
    each = "WEEKLY" if unit.week is None else "MONTHLY"
    day = f"{unit.week or ''}{DAYS[unit.weekday]}"
    protects = f'protects = "{unit.protects}"\n' if unit.protects else ""
    return f"""\
[units.{unit.id}]
site = "{unit.site}"
name = "{unit.name}"
battery_nominal_voltage = {12 * unit.blocks}
battery_type = "flooded"
exercise_rule = "FREQ={each};BYDAY={day};BYHOUR={unit.hour}"
gateway = "{unit.site}-box"
{protects}equipment = {{ heater = "1.5 kW 240 V", battery = "{unit.blocks} x 12 V, 100 Ah" }}
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
