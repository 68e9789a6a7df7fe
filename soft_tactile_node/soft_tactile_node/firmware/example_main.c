/* How a firmware sends frames. Replace the five functions of the board by yours; everything else may stay.
 *
 * SPDX-License-Identifier: Apache-2.0
 */
#include "soft_tactile_frame.h"

#include <string.h>

#define CHANNELS 4

/* Of the board: */
extern void board_wait_for_next_scan(void);                 /* a timer: equal intervals, 1 ms say */
extern uint32_t board_microseconds(void);                   /* free-running, wraps at 2^32 */
extern void board_read_counts(uint32_t *counts, uint8_t n); /* raw counts of the coils, 0 = no reading */
extern int board_read_pressure(float *absolute_pa);         /* not 0 = there is a new reading */
extern int board_send(const uint8_t *bytes, size_t n);      /* to the serial line; not 0 = all taken */

/* Take and send one scan. Returns 0 if the line did not take it: the reader then sees a gap in the numbers. */
int send_scan(uint32_t number)
{
    uint8_t frame[SOFT_TACTILE_MAX_FRAME];
    uint32_t counts[CHANNELS];
    float pressure_pa;
    soft_tactile_scan scan;
    uint32_t begun_us, passed_us;
    size_t length;

    memset(&scan, 0, sizeof scan);
    begun_us = board_microseconds();
    board_read_counts(counts, CHANNELS);
    passed_us = board_microseconds() - begun_us;
    scan.scan = number;
    scan.clock_us = begun_us + passed_us / 2; /* the middle of the scan */
    scan.channels = CHANNELS;
    scan.counts = counts;
    if (board_read_pressure(&pressure_pa)) {
        scan.pressure_pa = &pressure_pa;
        scan.pressure_is_absolute = 1;
    }
    length = soft_tactile_encode(&scan, frame, sizeof frame);
    return length != 0 && board_send(frame, length);
}

int main(void)
{
    uint32_t number;

    for (number = 0;; number++) { /* every scan gets a number, also one that could not be sent */
        board_wait_for_next_scan();
        (void)send_scan(number);
    }
}
