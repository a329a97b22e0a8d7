/* Limit switches and motor supply: samples of every tick, made into facts. Interrupts off for all of it. */
#ifndef INPUTS_H
#define INPUTS_H

#include <stdbool.h>
#include <stdint.h>

enum side { LOW_SIDE, HIGH_SIDE };

/* Bits of a sample. */
#define INPUT_LOW_OPEN 0x01
#define INPUT_HIGH_OPEN 0x02
#define INPUT_SUPPLY_ON 0x04
#define INPUT_SYNC_CLOSED 0x08

void inputs_boot(void);

/* True for the first moments after boot, until ticks enough have passed for the switches to be known. */
bool inputs_settle(void);
void inputs_tick(void);

/* One sample of a switch, with where the rail is; true when it was hit just now. */
bool switch_sample(enum side side, bool open, int32_t position);
bool switch_built_in(enum side side);
bool switch_hit(enum side side);
bool switches_both_hit(void);

/* Where the present run of closed samples began: the place at which the switch cleared. */
int32_t switch_closed_at(enum side side);

/* One sample of the supply; true when it was lost just now. */
bool supply_sample(bool on);
bool supply_gone(void);

#endif
