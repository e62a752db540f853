"""What the messages of a capture are: whose, in which form, and the batch they hold.

Shared by `measure` and `replay`.
"""

from service.adapters.capture_files import CapturedMessage
from service.core.batch import Batch
from service.core.wire import AHEAD_NS_MAX, INT64_MAX, Form, Refusal, decode

# Given to `decode` as now: a device's clock that was ahead is no reason against its pulses.
ANY_TIME_NS = INT64_MAX - AHEAD_NS_MAX


def drive_and_form(message: CapturedMessage) -> tuple[str, str]:
    """Return the last two levels of the topic; of a batch without topic, no drive and the form its fields tell."""
    if message.topic is None:
        return "", Form.LAG if b'"period_us"' in message.payload else Form.PULSES
    levels = message.topic.rsplit("/", 2)
    return (levels[-2], levels[-1]) if len(levels) > 1 else ("", levels[-1])


def batch_of(message: CapturedMessage, drive_id: str) -> Batch | Refusal | None:
    """Return the batch of a message, or why the worker would refuse it; None for what is none, such as a status."""
    form = drive_and_form(message)[1]
    if form not in {Form.PULSES, Form.LAG}:
        return None
    return decode(
        message.payload,
        form=Form(form),
        drive_id=drive_id,
        content_type=message.content_type,
        now_ns=ANY_TIME_NS,
    )
