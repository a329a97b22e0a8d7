/* The motor: moves, stops, and seeking a limit switch. It counts pulses and knows nothing of trust or limits.
 * Interrupts off for all but the settings. */
#ifndef MOTION_H
#define MOTION_H

#include <stdbool.h>
#include <stdint.h>

#include "inputs.h"

#define POSITION_LIMIT INT32_C(1073741824) /* 2^30; from end to end it takes an unsigned number */

enum motion { REST, MOVES, SLOWS };
enum ended { NONE, ARRIVED, FOUND, STOP, SUDDEN, LOW, HIGH, DEADMAN, SUPPLY, OFF, MISSED };

struct motion_view {
    enum motion motion;
    enum ended ended; /* of the last motion, or what last made the position lost */
    int32_t position;
    bool edge_found;
    int32_t edge; /* where the switch cleared in the last seek */
};

void motion_boot(void);
struct motion_view motion_look(void);
bool motion_at_rest(void);
int32_t motion_position(void);

/* From rest. */
void motion_move(int32_t position);
void motion_jog(int32_t position);
void motion_seek(enum side side);
void motion_call_position(int32_t position);

/* Decelerates; a motion that slows already keeps its first reason. */
void motion_slow(enum ended reason);

/* Ends the pulses, if any, and tells `reason` as the end. */
void motion_end_at_once(enum ended reason);

/* Whether hitting that switch is what the present motion is for. */
bool motion_seeks(enum side side);

void motion_step(void); /* at each pulse */

/* False when a seek came to one of its bounds and its switch had not answered: no pulse comes any more, and whoever
 * asked ends the motion, since its count is in doubt. */
bool motion_tick(void);

/* Only the main loop sets these, and only at rest. */
void motion_set_speed(uint32_t speed);
void motion_set_acceleration(uint32_t acceleration);

#endif
