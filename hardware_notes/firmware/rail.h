/* What the controller knows and does: trust, limits, latch, hold, deadman, over motion, shot and inputs (the protocol
 * page, sections 3 and 5 to 8). The tick and the two stops are called from interrupts, the rest from the main loop. */
#ifndef RAIL_H
#define RAIL_H

#include <stdbool.h>
#include <stdint.h>

#include "inputs.h"
#include "motion.h"
#include "shot.h"

/* Why a request is refused, in no particular order; ACCEPTED is none. */
enum refusal {
    ACCEPTED,
    R_BOOT, R_SESSION, R_SEQUENCE, R_VERB, R_WORDS, R_RANGE, R_BUSY, R_STOPPED,
    R_LOST, R_LIMITS, R_SWITCH, R_SUPPLY, R_UNHELD, R_PLACE, R_SHOT
};

struct rail_view {
    struct motion_view motion;
    struct shot_view shot;
    bool known, limits_set, held, latched, supply_gone;
    bool switch_hit[2];
};

void rail_boot(void);
struct rail_view rail_look(void);

/* Interrupts. */
void rail_tick(uint8_t inputs);
void rail_stop(void);
void rail_stop_at_once(void);

/* Requests. Numbers come as they were written and are checked here. */
void rail_feed_deadman(void);
void rail_new_session(void);
enum refusal rail_speed(int64_t speed);
enum refusal rail_acceleration(int64_t acceleration);
enum refusal rail_deadman(int64_t time_ms);
enum refusal rail_shutter(int64_t closed_ms, int64_t focus_ms);
enum refusal rail_watch(int64_t busy_ms, int64_t sync_ms);
enum refusal rail_declare(int64_t position);
enum refusal rail_limits(int64_t low, int64_t high);
enum refusal rail_move(int64_t position);
enum refusal rail_jog(int64_t position);
enum refusal rail_seek(enum side side);
enum refusal rail_fire(int64_t number, int64_t position);
enum refusal rail_hold(bool held);
enum refusal rail_clear(void);

#endif
