/* Frames of coil readings for soft_tactile_node: one scan to bytes, ready for a serial line or a datagram.
 *
 * Plain C99, no heap, no floating-point arithmetic, nothing but stdint.h, stddef.h and string.h. Copy this file and
 * soft_tactile_frame.c into your firmware. The layout of a frame is in README.md beside this file.
 *
 * SPDX-License-Identifier: Apache-2.0
 */
#ifndef SOFT_TACTILE_FRAME_H
#define SOFT_TACTILE_FRAME_H

#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#define SOFT_TACTILE_VERSION 1u
#define SOFT_TACTILE_MAX_CHANNELS 16u

/* Longest frame, its delimiter included: 12 + 2 * 4 * 16 + 4 + 4 + 4 bytes, one of stuffing, one zero. */
#define SOFT_TACTILE_MAX_FRAME 154u

/* One scan. Pointers that are NULL leave their part out of the frame; set the whole struct to zero first. */
typedef struct {
    uint32_t scan;             /* running number: one more with each scan, wraps by itself */
    uint32_t clock_us;         /* free-running clock in the middle of the scan (us), wraps by itself */
    uint8_t channels;          /* number of coils, 1 to 16 */
    const float *inductance_h; /* inductance of each channel (H), NAN = not measured; or */
    const uint32_t *counts;    /* raw count of each channel, 0 = not measured; exactly one of the two */
    const float *loss_ohm;     /* loss resistance of each channel (ohm) */
    const float *pressure_pa;  /* pressure (Pa); give it once for each new reading, NULL in between */
    uint8_t pressure_is_absolute; /* not 0 = the pressure counts from vacuum, 0 = from the surroundings (gauge) */
    const float *temperature_c;   /* temperature of the coils (degC) */
} soft_tactile_scan;

/* Write a scan as a frame, its delimiter at the end.
 *
 * frame: where to; size: bytes there, SOFT_TACTILE_MAX_FRAME are always enough.
 * Returns the number of bytes to send, 0 if the scan is not valid or does not fit.
 */
size_t soft_tactile_encode(const soft_tactile_scan *scan, uint8_t *frame, size_t size);

/* CRC-32 of Ethernet, zlib and PNG; its check value, the CRC of the nine characters "123456789", is 0xCBF43926. */
uint32_t soft_tactile_crc32(const uint8_t *data, size_t length);

#ifdef __cplusplus
}
#endif

#endif
