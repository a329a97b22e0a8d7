/* What the controller knows and does: motion, trust, limits, shot, latch, deadman (the protocol page, sections 3 and 5 to 8).
 * rail_tick, rail_step and the two stops are called from interrupts, everything else from the main loop. */
#ifndef RAIL_H
#define RAIL_H

#include <stdbool.h>
#include <stdint.h>

#define POSITION_LIMIT INT32_C(1073741824) /* 2^30, either way: the way from end to end fits an unsigned number only */

enum motion { REST, MOVES, SLOWS };
enum ended { NONE, ARRIVED, FOUND, STOP, SUDDEN, LOW, HIGH, DEADMAN, SUPPLY, OFF };
enum shot_state { NO_SHOT, FIRING, FIRED, CUT };
enum sync { WAITING, CLOSED, OPEN, UNWIRED };
enum side { LOW_SIDE, HIGH_SIDE };

/* Why a request is refused, in no particular order; ACCEPTED is none. */
enum refusal {
    ACCEPTED,
    R_BOOT, R_SESSION, R_SEQUENCE, R_VERB, R_WORDS, R_RANGE, R_BUSY, R_STOPPED,
    R_LOST, R_LIMITS, R_SWITCH, R_SUPPLY, R_UNHELD, R_PLACE, R_SHOT
};

/* Bits of `inputs`, as sampled at each tick. */
#define INPUT_LOW_OPEN 0x01
#define INPUT_HIGH_OPEN 0x02
#define INPUT_SUPPLY_ON 0x04
#define INPUT_SYNC_CLOSED 0x08

struct rail_view {
    enum motion motion;
    enum ended ended;
    bool known, limits_set, held, latched, supply_gone;
    bool switch_hit[2];
    int32_t position;
    uint32_t shot;
    enum shot_state shot_state;
    enum sync sync;
    bool edge_found;
    int32_t edge;
};

void rail_boot(void);
struct rail_view rail_look(void);

/* Interrupts. */
void rail_tick(uint8_t inputs);
void rail_step(void);
void rail_stop(void);
void rail_stop_at_once(void);
bool rail_steps_due(void);

/* True for the first moments after boot, while the switches are not yet known. */
bool rail_inputs_settle(void);

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
enum refusal rail_fire(int64_t shot, int64_t position);
enum refusal rail_hold(bool held);
enum refusal rail_clear(void);

#endif
