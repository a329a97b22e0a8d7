#include "rail.h"

#include "board.h"
#include "config.h"

#define TICKS_PER_MS (TICK_HZ / 1000)

static bool known, limits_set, held, latched;
static int32_t low_limit, high_limit;
static uint32_t deadman_time, deadman_left; /* [ticks] */

void rail_boot(void)
{
    held = true;
    deadman_time = 2000 * TICKS_PER_MS;
    board_hold(true);
    inputs_boot();
    motion_boot();
    shot_boot();
}

struct rail_view rail_look(void)
{
    uint8_t before = board_lock();
    struct rail_view view = {
        .motion = motion_look(),
        .shot = shot_look(),
        .known = known,
        .limits_set = limits_set,
        .held = held,
        .latched = latched,
        .supply_gone = supply_gone(),
        .switch_hit = {switch_hit(LOW_SIDE), switch_hit(HIGH_SIDE)},
    };
    board_unlock(before);
    return view;
}

/* --- What stops the rail. All of it runs with interrupts off. --- */

static void lose_position(enum ended reason)
{
    motion_end_at_once(reason);
    known = false;
    limits_set = false;
}

void rail_stop(void)
{
    latched = true;
    motion_slow(STOP);
}

void rail_stop_at_once(void)
{
    latched = true;
    if (!motion_at_rest()) {
        lose_position(SUDDEN);
    }
    shot_cut();
}

static void watch_switch(enum side side, bool open)
{
    bool hit_now = switch_sample(side, open, motion_position());
    if (hit_now && !motion_at_rest() && (!motion_seeks(side) || switches_both_hit())) {
        latched = true;
        lose_position(side == LOW_SIDE ? LOW : HIGH);
    }
}

static void watch_deadman(void)
{
    if (motion_at_rest() && !shot_contact_closed()) {
        return;
    }
    if (deadman_left != 0 && --deadman_left == 0) {
        latched = true;
        motion_slow(DEADMAN);
        shot_cut();
    }
}

void rail_tick(uint8_t inputs)
{
    inputs_tick();
    watch_switch(LOW_SIDE, inputs & INPUT_LOW_OPEN);
    watch_switch(HIGH_SIDE, inputs & INPUT_HIGH_OPEN);
    if (supply_sample(inputs & INPUT_SUPPLY_ON)) {
        latched = true;
        lose_position(SUPPLY);
        shot_cut();
    }
    if (!motion_tick()) {
        latched = true;
        lose_position(MISSED);
    }
    shot_tick(inputs & INPUT_SYNC_CLOSED);
    watch_deadman();
}

void rail_feed_deadman(void)
{
    uint8_t before = board_lock();
    deadman_left = deadman_time;
    board_unlock(before);
}

void rail_new_session(void)
{
    uint8_t before = board_lock();
    motion_slow(STOP);
    shot_cut();
    limits_set = false;
    board_unlock(before);
}

/* --- Requests --- */

/* Judged and begun in one breath: a stop byte comes before, and the latch refuses, or after, and the motion slows. */
#define LOCKED(request)                    \
    ({                                     \
        uint8_t before = board_lock();     \
        enum refusal refusal_ = (request); \
        board_unlock(before);              \
        refusal_;                          \
    })

static bool within(int64_t number, int64_t lowest, int64_t highest)
{
    return lowest <= number && number <= highest;
}

static bool is_position(int64_t number)
{
    return within(number, -POSITION_LIMIT, POSITION_LIMIT);
}

static bool busy(void)
{
    return !motion_at_rest() || shot_in_progress();
}

static enum refusal able_to_move(void)
{
    if (latched) {
        return R_STOPPED;
    }
    if (busy()) {
        return R_BUSY;
    }
    return held ? ACCEPTED : R_UNHELD; /* no supply: the latch is set and `clear` is refused */
}

/* A switch that reads hit is no place for a plan to move from: it may be a cut wire, and then it guards nothing. Slow
 * jogs lead away from it. */
static bool switches_free(void)
{
    return !switch_hit(LOW_SIDE) && !switch_hit(HIGH_SIDE);
}

static bool way_is_free(int64_t position)
{
    int32_t here = motion_position();
    enum side ahead = position > here ? HIGH_SIDE : LOW_SIDE;
    return !switches_both_hit() && (position == here || !switch_hit(ahead));
}

static enum refusal move(int64_t position)
{
    enum refusal refusal = able_to_move();
    if (refusal != ACCEPTED) {
        return refusal;
    }
    if (!known) {
        return R_LOST;
    }
    if (!limits_set || !within(position, low_limit, high_limit)) {
        return R_LIMITS;
    }
    if (!switches_free()) {
        return R_SWITCH;
    }
    motion_move((int32_t)position);
    return ACCEPTED;
}

static enum refusal jog(int64_t position)
{
    enum refusal refusal = able_to_move();
    if (refusal != ACCEPTED) {
        return refusal;
    }
    if (!within(position - motion_position(), -MICROSTEPS_PER_MM, MICROSTEPS_PER_MM)) {
        return R_RANGE;
    }
    if (limits_set && !within(position, low_limit, high_limit)) {
        return R_LIMITS;
    }
    if (!way_is_free(position)) {
        return R_SWITCH;
    }
    motion_jog((int32_t)position);
    return ACCEPTED;
}

static enum refusal seek(enum side side)
{
    enum refusal refusal = able_to_move();
    if (refusal != ACCEPTED) {
        return refusal;
    }
    if (!switch_built_in(side) || switches_both_hit()) {
        return R_SWITCH;
    }
    limits_set = false;
    motion_seek(side);
    return ACCEPTED;
}

static enum refusal fire(int64_t number, int64_t position)
{
    uint32_t last = shot_look().number;
    if (number == last) {
        return ACCEPTED;
    }
    if (number < last) {
        return R_SHOT;
    }
    if (latched) {
        return R_STOPPED;
    }
    if (busy() || shot_contact_closed()) {
        return R_BUSY;
    }
    if (!held) {
        return R_UNHELD;
    }
    if (!known) {
        return R_LOST;
    }
    if (position != motion_position()) {
        return R_PLACE;
    }
    shot_fire((uint32_t)number);
    return ACCEPTED;
}

static enum refusal declare(int64_t position)
{
    if (busy()) {
        return R_BUSY;
    }
    if (!held) {
        return R_UNHELD;
    }
    if (supply_gone()) {
        return R_SUPPLY;
    }
    if (!is_position(position)) {
        return R_RANGE;
    }
    motion_call_position((int32_t)position);
    known = true;
    limits_set = false;
    return ACCEPTED;
}

static enum refusal set_limits(int64_t low, int64_t high)
{
    if (busy()) {
        return R_BUSY;
    }
    if (!known) {
        return R_LOST;
    }
    if (!is_position(low) || !is_position(high) || low > high) {
        return R_RANGE;
    }
    low_limit = (int32_t)low;
    high_limit = (int32_t)high;
    limits_set = true;
    return ACCEPTED;
}

static enum refusal hold(bool on)
{
    if (busy()) {
        return R_BUSY;
    }
    held = on;
    board_hold(on);
    if (!on) {
        lose_position(OFF);
    }
    return ACCEPTED;
}

static enum refusal clear(void)
{
    if (busy()) {
        return R_BUSY;
    }
    if (supply_gone()) {
        return R_SUPPLY;
    }
    latched = false;
    return ACCEPTED;
}

enum refusal rail_move(int64_t position)
{
    return is_position(position) ? LOCKED(move(position)) : R_RANGE;
}

enum refusal rail_jog(int64_t position)
{
    return is_position(position) ? LOCKED(jog(position)) : R_RANGE;
}

enum refusal rail_seek(enum side side)
{
    return LOCKED(seek(side));
}

enum refusal rail_fire(int64_t number, int64_t position)
{
    bool in_range = within(number, 1, UINT32_MAX) && is_position(position);
    return in_range ? LOCKED(fire(number, position)) : R_RANGE;
}

enum refusal rail_declare(int64_t position)
{
    return LOCKED(declare(position));
}

enum refusal rail_limits(int64_t low, int64_t high)
{
    return LOCKED(set_limits(low, high));
}

enum refusal rail_hold(bool on)
{
    return LOCKED(hold(on));
}

enum refusal rail_clear(void)
{
    return LOCKED(clear());
}

/* The settings need no lock: only the main loop makes the rail busy, and interrupts use them only while it is. */

enum refusal rail_speed(int64_t speed)
{
    if (busy()) {
        return R_BUSY;
    }
    if (!within(speed, 1, HIGHEST_SPEED)) {
        return R_RANGE;
    }
    motion_set_speed((uint32_t)speed);
    return ACCEPTED;
}

enum refusal rail_acceleration(int64_t acceleration)
{
    if (busy()) {
        return R_BUSY;
    }
    if (!within(acceleration, LOWEST_ACCELERATION, HIGHEST_ACCELERATION)) {
        return R_RANGE;
    }
    motion_set_acceleration((uint32_t)acceleration);
    return ACCEPTED;
}

enum refusal rail_deadman(int64_t time_ms)
{
    if (busy()) {
        return R_BUSY;
    }
    if (!within(time_ms, 400, 60000)) {
        return R_RANGE;
    }
    deadman_time = (uint32_t)time_ms * TICKS_PER_MS;
    return ACCEPTED;
}

enum refusal rail_shutter(int64_t closed_ms, int64_t focus_ms)
{
    if (busy()) {
        return R_BUSY;
    }
    if (!within(closed_ms, 1, 3600000) || !within(focus_ms, 0, 60000)) {
        return R_RANGE;
    }
    shot_set_contacts((uint32_t)closed_ms, (uint32_t)focus_ms);
    return ACCEPTED;
}

enum refusal rail_watch(int64_t busy_ms, int64_t sync_ms)
{
    if (busy()) {
        return R_BUSY;
    }
    if (!within(busy_ms, 0, 3600000) || !within(sync_ms, 0, 60000)) {
        return R_RANGE;
    }
    shot_set_watch((uint32_t)busy_ms, (uint32_t)sync_ms);
    return ACCEPTED;
}
