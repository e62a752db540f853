/* See batch_encoder.h. Each function writes at `at` and returns the place after what it wrote. Room was checked before. */
#include "batch_encoder.h"

#include <string.h>

enum { UNSIGNED = 0, NEGATIVE = 1, BYTES = 2, TEXT = 3, MAP = 5, TAG = 6 }; /* major types: RFC 8949, 3.1 */
enum { UINT16_LE = 69, UINT32_LE = 70 };                                   /* tags: RFC 8746, 2.1 */

static uint8_t *big_endian(uint8_t *at, uint64_t value, int bytes)
{
    for (int n = bytes - 1; n >= 0; n--)
        *at++ = (uint8_t)(value >> (8 * n));
    return at;
}

/* Kind and argument of an item, in the shortest form (RFC 8949, 4.2.1). */
static uint8_t *head(uint8_t *at, int major, uint64_t argument)
{
    const uint8_t kind = (uint8_t)(major << 5);
    if (argument < 24) {
        *at++ = (uint8_t)(kind | argument);
        return at;
    }
    const int power = argument <= UINT8_MAX ? 0 : argument <= UINT16_MAX ? 1 : argument <= UINT32_MAX ? 2 : 3;
    *at++ = (uint8_t)(kind | (24 + power));
    return big_endian(at, argument, 1 << power);
}

static uint8_t *text(uint8_t *at, const char *content)
{
    const size_t length = strlen(content);
    at = head(at, TEXT, length);
    memcpy(at, content, length);
    return at + length;
}

static uint8_t *number(uint8_t *at, const char *name, uint64_t value)
{
    return head(text(at, name), UNSIGNED, value);
}

/* Does not compile where a double has not 8 bytes: there, leave out the three fields that are no integers. The 8 bytes are
 * taken to be IEEE 754 binary64. */
typedef char double_has_8_bytes[sizeof(double) == sizeof(uint64_t) ? 1 : -1];

static uint8_t *real(uint8_t *at, const char *name, double value)
{
    uint64_t bits;
    memcpy(&bits, &value, sizeof bits);
    at = text(at, name);
    *at++ = 0xFB;
    return big_endian(at, bits, 8);
}

static uint32_t last(const uint32_t *ticks, size_t count)
{
    return count ? ticks[count - 1] : 0;
}

/* A typed array of the narrower width that holds the last tick, which is the greatest. */
static uint8_t *tick_array(uint8_t *at, const char *name, const uint32_t *ticks, size_t count)
{
    const int width = last(ticks, count) <= UINT16_MAX ? 2 : 4;
    at = head(text(at, name), TAG, width == 2 ? UINT16_LE : UINT32_LE);
    at = head(at, BYTES, (uint64_t)count * (uint64_t)width);
    for (size_t n = 0; n < count; n++)
        for (int byte = 0; byte < width; byte++)
            *at++ = (uint8_t)(ticks[n] >> (8 * byte));
    return at;
}

static bool steps_back(const uint32_t *ticks, size_t count)
{
    for (size_t n = 1; n < count; n++)
        if (ticks[n] < ticks[n - 1])
            return true;
    return false;
}

static bool allowed(const struct batch *batch)
{
    return batch->up_count <= BATCH_PULSES_MAX && batch->down_count <= BATCH_PULSES_MAX
        && batch->seq <= INT64_MAX && batch->t0_us <= INT64_MAX
        && !(batch->dev && strlen(batch->dev) > BATCH_DEV_BYTES_MAX)
        && !steps_back(batch->up, batch->up_count) && !steps_back(batch->down, batch->down_count);
}

size_t batch_encode(const struct batch *batch, uint8_t *out, size_t out_size)
{
    if (!allowed(batch) || out_size < 4 * (batch->up_count + batch->down_count) + BATCH_BYTES_BESIDE_PULSES)
        return 0;
    const uint32_t up_last = last(batch->up, batch->up_count);
    const uint32_t down_last = last(batch->down, batch->down_count);
    const bool has_dev = batch->dev && *batch->dev;
    uint32_t span = batch->span_ticks; /* reaches at least to the last pulse */
    span = span < up_last ? up_last : span;
    span = span < down_last ? down_last : span;

    uint8_t *at = head(out, MAP, 6u + batch->has_temp_c + batch->has_mount_c + batch->has_load_n + batch->reverse + has_dev);
    at = number(at, "v", 1);
    at = number(at, "seq", batch->seq);
    at = number(at, "t0", batch->t0_us);
    at = number(at, "span_ticks", span);
    at = tick_array(at, "up", batch->up, batch->up_count);
    at = tick_array(at, "down", batch->down, batch->down_count);
    if (batch->reverse)
        at = head(text(at, "dir"), NEGATIVE, 0); /* -1 */
    if (batch->has_temp_c)
        at = real(at, "temp_c", batch->temp_c);
    if (batch->has_mount_c)
        at = real(at, "mount_c", batch->mount_c);
    if (batch->has_load_n)
        at = real(at, "load_n", batch->load_n);
    if (has_dev)
        at = text(text(at, "dev"), batch->dev);
    return (size_t)(at - out);
}
