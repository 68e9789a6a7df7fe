/* SPDX-License-Identifier: Apache-2.0 */
#include "soft_tactile_frame.h"

#include <string.h>

enum { HAS_COUNTS = 1, HAS_LOSS = 2, HAS_PRESSURE = 4, PRESSURE_ABSOLUTE = 8, HAS_TEMPERATURE = 16 };

enum { HEADER_BYTES = 12, CRC_BYTES = 4, MAX_PAYLOAD = 152 };

/* Floats are sent as IEEE 754 single precision: no build where they are anything else. */
typedef char float_must_have_32_bits[sizeof(float) == 4 ? 1 : -1];

uint32_t soft_tactile_crc32(const uint8_t *data, size_t length)
{
    /* Four bits at a time: 64 bytes of table. Polynomial 0x04C11DB7, bits reversed. */
    static const uint32_t table[16] = {
        0x00000000u, 0x1DB71064u, 0x3B6E20C8u, 0x26D930ACu, 0x76DC4190u, 0x6B6B51F4u, 0x4DB26158u, 0x5005713Cu,
        0xEDB88320u, 0xF00F9344u, 0xD6D6A3E8u, 0xCB61B38Cu, 0x9B64C2B0u, 0x86D3D2D4u, 0xA00AE278u, 0xBDBDF21Cu,
    };
    uint32_t crc = 0xFFFFFFFFu;
    size_t i;

    for (i = 0; i < length; i++) {
        crc ^= data[i];
        crc = (crc >> 4) ^ table[crc & 15u];
        crc = (crc >> 4) ^ table[crc & 15u];
    }
    return crc ^ 0xFFFFFFFFu;
}

static uint8_t *put_u32(uint8_t *to, uint32_t value)
{
    to[0] = (uint8_t)(value & 0xFFu);
    to[1] = (uint8_t)((value >> 8) & 0xFFu);
    to[2] = (uint8_t)((value >> 16) & 0xFFu);
    to[3] = (uint8_t)((value >> 24) & 0xFFu);
    return to + 4;
}

static uint8_t *put_floats(uint8_t *to, const float *values, uint8_t count)
{
    uint8_t i;

    for (i = 0; i < count; i++) {
        uint32_t bits;
        memcpy(&bits, &values[i], sizeof bits);
        to = put_u32(to, bits);
    }
    return to;
}

/* Consistent overhead byte stuffing of fewer than 254 bytes: each zero becomes the way to the next one. */
static size_t stuff(const uint8_t *payload, size_t length, uint8_t *frame)
{
    size_t code_at = 0;
    size_t out = 1;
    size_t i;

    for (i = 0; i < length; i++) {
        if (payload[i] == 0) {
            frame[code_at] = (uint8_t)(out - code_at);
            code_at = out++;
        } else {
            frame[out++] = payload[i];
        }
    }
    frame[code_at] = (uint8_t)(out - code_at);
    frame[out++] = 0;
    return out;
}

size_t soft_tactile_encode(const soft_tactile_scan *scan, uint8_t *frame, size_t size)
{
    uint8_t payload[MAX_PAYLOAD];
    uint8_t *end = payload + HEADER_BYTES;
    uint8_t contents = 0;
    size_t length;

    if (scan == NULL || frame == NULL || scan->channels < 1 || scan->channels > SOFT_TACTILE_MAX_CHANNELS ||
        (scan->inductance_h == NULL) == (scan->counts == NULL)) {
        return 0;
    }
    if (scan->counts != NULL) {
        uint8_t i;
        contents |= HAS_COUNTS;
        for (i = 0; i < scan->channels; i++) {
            end = put_u32(end, scan->counts[i]);
        }
    } else {
        end = put_floats(end, scan->inductance_h, scan->channels);
    }
    if (scan->loss_ohm != NULL) {
        contents |= HAS_LOSS;
        end = put_floats(end, scan->loss_ohm, scan->channels);
    }
    if (scan->pressure_pa != NULL) {
        contents |= HAS_PRESSURE;
        contents |= scan->pressure_is_absolute ? PRESSURE_ABSOLUTE : 0;
        end = put_floats(end, scan->pressure_pa, 1);
    }
    if (scan->temperature_c != NULL) {
        contents |= HAS_TEMPERATURE;
        end = put_floats(end, scan->temperature_c, 1);
    }
    payload[0] = SOFT_TACTILE_VERSION;
    payload[1] = scan->channels;
    payload[2] = contents;
    payload[3] = 0;
    put_u32(put_u32(payload + 4, scan->scan), scan->clock_us);
    length = (size_t)(end - payload);
    end = put_u32(end, soft_tactile_crc32(payload, length));
    length = (size_t)(end - payload);
    if (size < length + 2) {
        return 0; /* one byte of stuffing and the delimiter come on top */
    }
    return stuff(payload, length, frame);
}
