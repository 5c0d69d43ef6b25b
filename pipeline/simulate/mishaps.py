"""What happens to the demo's dumps on their way from the device: frames in, what arrived of them out."""

import numpy as np

from pipeline.simulate.dumps import (
    Frames,
    bursts,
    late,
    lose,
    lose_stretches,
    repeated,
    with_chatter,
    with_flips,
    with_noise,
)
from pipeline.simulate.wire import on_card

RADIO_FRAME_HZ = 25.0
PACKET_BYTES = 90
BURSTS_S = tuple(
    (round(start_s * RADIO_FRAME_HZ) / RADIO_FRAME_HZ, round(stop_s * RADIO_FRAME_HZ) / RADIO_FRAME_HZ)
    for start_s, stop_s in bursts(50, 140, 0.4, 1, 8, np.random.default_rng(7))
)
"""Loss of whole stretches, of one to eight seconds each, two fifths of the stretch from 50 to 140 s."""

CARD_SECTORS, OLDEST_SECTOR = 300, 187
Rng = np.random.Generator


def a_little_loss(frames: Frames, rng: Rng) -> Frames:
    """Single packets gone, one late, one twice."""
    frames = late(lose(frames, 0.006, rng), 900, 3)
    return repeated(frames, 2100, 1, 2)


def loss_in_bursts(frames: Frames, rng: Rng) -> Frames:
    """Whole stretches gone: the radio was shadowed."""
    return lose_stretches(frames, BURSTS_S, RADIO_FRAME_HZ)


def with_start_up_lines(frames: Frames, rng: Rng) -> Frames:
    """What a device prints while it starts, below the logger's header, and now and then later."""
    starting = [b"boot: strap, invented firmware 0.3\r\n", b"boot: self test passed\r\n", b"# recording\r\n"]
    now_and_then = [f"# battery {volts:.2f} V\r\n".encode() for volts in (3.92, 3.91, 3.91, 3.90)]
    chatter = [*now_and_then, b"radio: off\r\n", b"!! buffer 80 percent\r\n"]
    header, lines = frames[0], with_chatter(frames[1:], chatter, rng)
    return torn_at_the_end([header, *starting, *lines])


def opened_midway(frames: Frames, rng: Rng) -> Frames:
    """The port was opened in the middle of a line and closed in one; a few lines are gone or came twice."""
    header, lines = frames[0], lose(frames[1:], 0.003, rng)
    return torn_at_the_end([header, b"1;519;-22\r\n", *repeated(lines, 6000, 2, 0)])


def torn_at_the_end(frames: Frames) -> Frames:
    """Leave of the last line no more than its first two values."""
    return [*frames[:-1], frames[-1][: frames[-1].index(b";", frames[-1].index(b";") + 1)]]


def damaged(data: bytes, rng: Rng) -> bytes:
    """A bad stretch of storage, stray bytes, a few single flips, and an end torn off in a packet."""
    second = round(RADIO_FRAME_HZ) * PACKET_BYTES
    data = with_flips(data[: 160 * second + 41], 60 * second, 95 * second, 35 * 25 * 4, rng)
    data = with_flips(data, 10 * second, 55 * second, 3, rng)
    return with_noise(data, 95 * second, 3000, rng)


def in_a_ring(frames: Frames, rng: Rng) -> Frames:
    """Sectors of a card that goes round: the oldest in the middle of it, what was not written erased."""
    return [on_card(frames, CARD_SECTORS, OLDEST_SECTOR)]


def shadowed(frames: Frames, rng: Rng) -> Frames:
    """Single packets gone, and one short stretch."""
    return lose(frames[:700] + frames[704:], 0.006, rng)
