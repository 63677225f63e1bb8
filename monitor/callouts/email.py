"""Call-outs by email.

In: a call-out whose body is our event. Out: a mail handed to the SMTP server, or why not. The same call-out gives the
same mail, byte for byte, with the same Message-ID: sent twice, a mail program can show it once.
May import: monitor.callouts.channels, monitor.settings, monitor.times; smtplib, ssl, email. Touches the mail server.
"""

import json
import smtplib
import ssl
from contextlib import suppress
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime

from monitor.callouts.channels import ERROR_MAX, Channel, Ending, Tried
from monitor.callouts.push import line
from monitor.callouts.wording import SUMMARY_MAX
from monitor.settings import Smtp
from monitor.stores.protocols import CallOut
from monitor.times import to_datetime

DISPLAY_NAME = "Stillready"
REFERENCES_MAX = 30  # alarms whose threads a mail joins, some 2 kB of header; mail servers take at least 8 kB of it
PERMANENT = range(500, 600)  # RFC 5321 section 4.2.1: the same command in the same order will fail again
# 5yz answers that tell of our own set-up, not of the message: whoever mends it wants the call-outs then sent.
OURS_TO_MEND = frozenset({530, 534, 535, 538})  # RFC 4954 section 6, 3.4, and RFC 2554: sign in first, wrong password


class Email(Channel):
    """Carries call-outs through one SMTP server."""

    def __init__(self, settings: Smtp, tls_context: ssl.SSLContext | None = None) -> None:
        """tls_context: whom to trust as the mail server; None: whom the machine trusts."""
        self._settings = settings
        self._tls_context = tls_context or ssl.create_default_context()

    def send(self, call_out: CallOut, at_ns: int) -> Tried:
        try:
            message = email_message(call_out, self._settings.sender)
        except ValueError as reason:
            return Tried(Ending.NEVER, line(f"this address cannot be written to: {reason}", ERROR_MAX))
        try:
            server = self._connect()
            try:
                # Not send_message: it writes ">From" where a line of the text begins with "From".
                server.sendmail(_address(self._settings.sender).addr_spec, [call_out.recipient], message.as_bytes())
            finally:
                # The server has taken the mail over, or has refused it: how the parting goes changes neither.
                with suppress(smtplib.SMTPException, OSError):
                    server.quit()
        except (smtplib.SMTPException, OSError) as reason:
            return Tried(_ending(reason), line(_words(reason), ERROR_MAX))
        return Tried(Ending.DELIVERED)

    def _connect(self) -> smtplib.SMTP:
        """A connection that is encrypted and signed in as the settings ask, or an exception: never less than asked."""
        settings = self._settings
        if settings.security == "tls":
            server: smtplib.SMTP = smtplib.SMTP_SSL(
                settings.host, settings.port, timeout=settings.timeout, context=self._tls_context
            )
        else:
            server = smtplib.SMTP(settings.host, settings.port, timeout=settings.timeout)
        try:
            if settings.security == "starttls":
                server.starttls(context=self._tls_context)
            if settings.username is not None and settings.password is not None:
                server.login(settings.username, settings.password.get_secret_value())
        except BaseException:
            server.close()
            raise
        return server


def email_message(call_out: CallOut, sender: str) -> EmailMessage:
    """The mail of a call-out.

    Raises:
        ValueError: sender or recipient is no address.
    """
    data = json.loads(call_out.body)["data"]
    from_address = _address(sender)
    message = EmailMessage(policy=SMTP)
    message["From"] = Address(DISPLAY_NAME, from_address.username, from_address.domain)
    message["To"] = _address(call_out.recipient)
    message["Subject"] = line(data["summary"], SUMMARY_MAX)
    message["Date"] = format_datetime(to_datetime(call_out.created_ns))
    message["Message-ID"] = f"<{call_out.key}@{from_address.domain}>"
    # All mails of one alarm stand in one thread; RFC 5322 allows a reference to what was never sent.
    threads = call_out.alarm_ids[:REFERENCES_MAX]
    message["References"] = " ".join(f"<{alarm_id}@{from_address.domain}>" for alarm_id in threads)
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no out-of-office answers back
    message.set_content(data["text"], cte="quoted-printable")
    return message


def _address(text: str) -> Address:
    """An address as a header takes it: nothing in it may begin another header. Raises ValueError."""
    if not text.isprintable() or not text.isascii():
        raise ValueError(f"{text!r} holds characters that no address has")
    try:
        address = Address(addr_spec=text.strip())
    except Exception as reason:  # the parser of the standard library also lets IndexError and its own kinds out
        raise ValueError(f"{text!r} is no address ({reason})") from None
    if not address.username or not address.domain:
        raise ValueError(f"{text!r} is no address")
    return address


def _ending(reason: Exception) -> Ending:
    """Whether what the server said is for good."""
    if isinstance(reason, smtplib.SMTPRecipientsRefused):
        codes = [code for code, _ in reason.recipients.values()]
    elif isinstance(reason, smtplib.SMTPDataError | smtplib.SMTPSenderRefused):
        codes = [reason.smtp_code]
    else:  # no connection, no encryption, not signed in, hung up: all of it can be mended while the call-out waits
        return Ending.LATER
    return Ending.NEVER if all(code in PERMANENT and code not in OURS_TO_MEND for code in codes) else Ending.LATER


def _words(reason: Exception) -> str:
    """What went wrong, with the server's own words."""
    if isinstance(reason, smtplib.SMTPRecipientsRefused):
        code, said = next(iter(reason.recipients.values()))
        return f"the mail server refused the recipient: {code} {_decoded(said)}"
    if isinstance(reason, smtplib.SMTPAuthenticationError):
        return f"the mail server did not let us sign in: {reason.smtp_code} {_decoded(reason.smtp_error)}"
    if isinstance(reason, smtplib.SMTPResponseException):
        return f"the mail server refused: {reason.smtp_code} {_decoded(reason.smtp_error)}"
    if isinstance(reason, ssl.SSLError):
        return f"no encrypted connection to the mail server: {reason}"
    if isinstance(reason, TimeoutError):
        return "the mail server did not answer in time"
    return f"the mail server could not be used: {reason}"


def _decoded(said: bytes | str) -> str:
    """A server's words as text, whatever they are made of."""
    return said.decode("utf-8", "replace") if isinstance(said, bytes) else said
