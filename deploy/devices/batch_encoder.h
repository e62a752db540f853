/* A pulse batch as CBOR (RFC 8949, ticks as typed arrays of RFC 8746), for a microcontroller without Python.
 *
 * C99, no allocation, no library but the language's own; some 200 bytes of stack. Knows the fields of WIRE.md and must not
 * know how bytes travel. It writes the same bytes as micropython_batch.py; a test holds one to the other.
 */
#ifndef BATCH_ENCODER_H
#define BATCH_ENCODER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define BATCH_PULSES_MAX 100000u   /* of each sensor; WIRE.md */
#define BATCH_BYTES_BESIDE_PULSES 256u /* all the rest of a batch is shorter than this */
#define BATCH_DEV_BYTES_MAX 64u

/* What one window brought. A zeroed struct with seq, t0_us, span_ticks and the ticks set is a whole batch. */
struct batch {
    uint64_t seq;         /* one more with every batch; at most 2^63 - 1 */
    uint64_t t0_us;       /* UTC of tick 0, microseconds since 1970 */
    uint32_t span_ticks;  /* length of the window in ticks of 1 us */
    const uint32_t *up;   /* ticks of 1 us since t0, non-decreasing: the sensor that a joint passes first */
    size_t up_count;
    const uint32_t *down; /* the sensor that a joint passes second, by the same counter */
    size_t down_count;
    bool reverse;         /* the chain runs backwards */
    bool has_temp_c, has_mount_c, has_load_n;
    double temp_c;        /* of the chain, degrees C */
    double mount_c;       /* of what holds the sensors apart, degrees C */
    double load_n;        /* tension in the measured strand, N */
    const char *dev;      /* the device's own id, or NULL */
};

/* Writes the batch to `out` and returns how many bytes that took. Returns 0 and leaves `out` in any state where `out_size`
 * is below 4 * (up_count + down_count) + BATCH_BYTES_BESIDE_PULSES, or where WIRE.md does not allow a value:
 * too many pulses, ticks that step back, seq or t0_us over 2^63 - 1, dev too long. */
size_t batch_encode(const struct batch *batch, uint8_t *out, size_t out_size);

#endif
