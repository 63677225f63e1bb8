"""Killed between the send and writing it down: after the next start it is sent again, with the same key."""

import os
import subprocess
import sys
import textwrap

from monitor.callouts.outbox import OutboxWorker
from monitor.callouts.webhook import Webhooks
from monitor.settings import CallOuts, Webhook
from monitor.stores.operations import SqlOperations

# The child dies as by a kill: no handlers, no flush, at the very moment at which the end of the try would be written.
CHILD = """
    import os, sys
    from monitor.callouts.outbox import OutboxWorker
    from monitor.callouts.webhook import Webhooks
    from monitor.settings import CallOuts, Webhook
    from monitor.stores.operations import SqlOperations

    class Dying(SqlOperations):
        def record_try(self, call_out):
            os._exit(9)

    path, url, secret, now_ns = sys.argv[1], sys.argv[2], sys.argv[3], int(sys.argv[4])
    channel = Webhooks([Webhook(url=url, secret=secret)])
    OutboxWorker(Dying(path), {"webhook": channel}, lambda: now_ns, CallOuts()).work_once(now_ns)
"""


def test_a_kill_between_send_and_record_sends_twice_with_one_key(build, tmp_path, receiver):
    path = tmp_path / "operations.sqlite"
    operations = SqlOperations(path)
    build.put(operations, build.call_out("key-1", recipient=receiver.url), at_ns=build.T0)
    operations.close()

    command = [sys.executable, "-c", textwrap.dedent(CHILD), str(path), receiver.url, build.SECRET, str(build.T0)]
    child = subprocess.run(command, env=os.environ, timeout=60, check=False)
    assert child.returncode == 9
    assert len(receiver.requests) == 1

    operations = SqlOperations(path)
    assert [one.outcome for one in operations.call_outs()] == ["waiting"]
    channel = Webhooks([Webhook(url=receiver.url, secret=build.SECRET)])
    outbox = OutboxWorker(operations, {"webhook": channel}, lambda: build.T0, CallOuts())
    assert outbox.work_once(build.T0) == 1
    assert outbox.work_once(build.T0 + build.DAY) == 0
    assert [one.outcome for one in operations.call_outs()] == ["delivered"]
    operations.close()
    channel.close()
    assert [request.headers["webhook-id"] for request in receiver.requests] == ["key-1", "key-1"]
    assert receiver.requests[0].body == receiver.requests[1].body
