/* What the core asks of the board it runs on. The core knows no register; a test gives it another board. */
#ifndef BOARD_H
#define BOARD_H

#include <stdbool.h>
#include <stdint.h>

/* The step timer counts at this rate [1/s]; the tick interrupt comes at that one. */
#define TIMER_HZ 2000000UL
#define TICK_HZ 10000UL

/* No interrupt runs between the two; they nest. */
uint8_t board_lock(void);
void board_unlock(uint8_t before);

/* Pulses: the first comes `ticks` from now, the next ones `ticks` after the last; each calls motion_step(). After
 * board_pulses_end() none comes, not even one that was due. */
void board_pulses_start(uint32_t ticks);
void board_pulses_next(uint32_t ticks);
void board_pulses_end(void);

void board_direction(bool positive);
void board_hold(bool held);
void board_shutter(bool closed);
void board_focus(bool closed);

/* Waits until the bytes are on their way. */
void board_send(const char *bytes, uint8_t count);

#endif
