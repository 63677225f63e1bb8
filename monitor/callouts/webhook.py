"""Call-outs by webhook: our event by HTTP POST, signed.

In: a call-out whose body is our event. Out: the event handed to the receiver, or why not. Signed as the Standard
Webhooks specification says, over the very bytes that are sent; webhook-id is the idempotency key, so a receiver that
gets one twice can tell. May import: monitor.callouts.channels, monitor.settings, monitor.times; httpx,
standardwebhooks. Touches the receivers.
"""

import time
from collections.abc import Iterable

import httpx
import standardwebhooks

from monitor.callouts.channels import ERROR_MAX, Channel, Ending, Tried
from monitor.callouts.message import CONTENT_TYPE
from monitor.callouts.push import line
from monitor.settings import Webhook
from monitor.stores.protocols import CallOut
from monitor.times import SECOND_NS, to_datetime

ANSWER_BYTES_MAX = 2_048  # read of a refusal for its words; of an acceptance nothing is read at all
GONE = 410  # Standard Webhooks: the receiver wants no more
CONNECTIONS_MAX = 32  # open at once; the outbox sends fewer at a time


class Webhooks(Channel):
    """Carries call-outs to every receiver that the settings name; the recipient is the URL."""

    def __init__(self, webhooks: Iterable[Webhook]) -> None:
        """
        Raises:
            ValueError: a secret is no "whsec_" and base64; the text names the receiver, never the secret.
        """
        self._settings: dict[str, Webhook] = {}
        self._signers: dict[str, standardwebhooks.Webhook] = {}
        for webhook in webhooks:
            try:
                signer = standardwebhooks.Webhook(webhook.secret.get_secret_value())
            except Exception:  # binascii.Error, its own EmptyWebhookSecretError, …: any means the same to whoever reads
                raise ValueError(
                    f'The secret of the webhook {webhook.url} cannot be read. Write it as "whsec_" and base64.'
                ) from None
            self._settings[webhook.url] = webhook
            self._signers[webhook.url] = signer
        # A connection kept open may have been closed by the other side since: each try makes its own.
        limits = httpx.Limits(max_connections=CONNECTIONS_MAX, max_keepalive_connections=0)
        self._client = httpx.Client(follow_redirects=False, limits=limits)

    def send(self, call_out: CallOut, at_ns: int) -> Tried:
        if call_out.recipient not in self._settings:
            return Tried(Ending.NEVER, "this webhook is no longer in the settings")
        timeout_s = self._settings[call_out.recipient].timeout
        body = call_out.body.encode("utf-8")
        deadline_s = time.monotonic() + timeout_s
        try:
            with self._client.stream(
                "POST",
                call_out.recipient,
                content=body,
                headers=self._headers(call_out, at_ns),
                timeout=timeout_s,
            ) as response:
                if response.is_success:
                    return Tried(Ending.DELIVERED)
                return _refused(response, deadline_s)
        except httpx.TimeoutException:
            return Tried(Ending.LATER, f"no answer within {timeout_s:g} s")
        except (httpx.HTTPError, httpx.InvalidURL) as reason:
            return Tried(Ending.LATER, line(f"could not be reached: {reason or type(reason).__name__}", ERROR_MAX))

    def close(self) -> None:
        """Let go of the connections."""
        self._client.close()

    def _headers(self, call_out: CallOut, at_ns: int) -> dict[str, str]:
        """What stands around the body. Source: Standard Webhooks, webhook headers; CloudEvents HTTP binding 3.2."""
        seconds = at_ns // SECOND_NS
        signature = self._signers[call_out.recipient].sign(
            msg_id=call_out.key, timestamp=to_datetime(seconds * SECOND_NS), data=call_out.body
        )
        return {
            "content-type": CONTENT_TYPE,
            "webhook-id": call_out.key,
            "webhook-timestamp": str(seconds),
            "webhook-signature": signature,
            "user-agent": "Stillready",
        }


def _refused(response: httpx.Response, deadline_s: float) -> Tried:
    """What an answer other than 2xx means, with its first words; a receiver that drips them is not waited for."""
    if response.is_redirect:
        return Tried(Ending.LATER, f"answered {response.status_code}: redirects are not followed, set the final URL")
    said = b""
    for chunk in response.iter_raw(ERROR_MAX):
        said += chunk
        if len(said) >= ANSWER_BYTES_MAX or time.monotonic() > deadline_s:
            break
    words = line(f"answered {response.status_code}: {said[:ANSWER_BYTES_MAX].decode('utf-8', 'replace')}", ERROR_MAX)
    return Tried(Ending.NEVER if response.status_code == GONE else Ending.LATER, words.rstrip(": "))
