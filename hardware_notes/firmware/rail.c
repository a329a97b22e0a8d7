#include "rail.h"

#include "board.h"
#include "config.h"
#include "ramp.h"

#define TICKS_PER_MS (TICK_HZ / 1000)

/* A switch is hit when open, and clear when closed, for this many samples in a row. */
#define HIT_SAMPLES (3 * TICKS_PER_MS / 10 + 1)
#define CLEAR_SAMPLES (20 * TICKS_PER_MS + 1)
#define SUPPLY_SAMPLES (5 * TICKS_PER_MS + 1)
/* Two samples: a spike from the motor's wires is shorter, a sync contact stays closed for longer. */
#define SYNC_SAMPLES 2

/* Seeking: off the switch if it is hit, toward it, slowly off it. In between, slowing. */
enum phase { NO_SEEK, LEAVES, HAS_LEFT, APPROACHES, HAS_HIT, CREEPS_OFF, HAS_CLEARED };

struct limit_switch {
    bool built_in, hit;
    uint8_t open_samples, closed_samples;
    int32_t closed_at; /* where the present run of closed samples began */
};

static struct {
    enum motion motion;
    enum ended ended;      /* of the last motion */
    enum ended end_reason; /* of the present one, once it slows: the first reason stays */
    bool known, limits_set, held, latched;
    int32_t position, low_limit, high_limit;
    int8_t direction;
    struct ramp ramp;

    enum phase phase;
    enum side side;
    bool edge_found;
    int32_t edge;
} rail;

static uint8_t settle_left; /* [ticks] */
static struct pace move_pace, jog_pace, seek_pace, creep_pace;
static struct limit_switch switches[2];

static struct {
    bool gone;
    uint8_t other_samples; /* in a row that contradict `gone` */
} supply;

static struct {
    uint32_t time, left; /* [ticks] */
} deadman;

static struct {
    uint32_t number;
    enum shot_state state;
    enum sync sync;
    bool focus_closed, shutter_closed; /* the focus contact is closed at least as long as the other */
    bool sync_was_open;
    uint8_t sync_samples;
    uint32_t focus_left, closed_left, busy_left, sync_left;  /* [ticks] */
    uint32_t focus_time, closed_time, busy_time, sync_time; /* as set [ticks] */
} shot;

/* --- The end of things. All of these run with interrupts off. --- */

static void open_contacts(void)
{
    board_shutter(false);
    board_focus(false);
    shot.shutter_closed = false;
    shot.focus_closed = false;
}

static void end_shot(enum shot_state state)
{
    shot.state = state;
    if (shot.sync == WAITING) {
        shot.sync = OPEN;
    }
}

static void cut_shot(void)
{
    open_contacts();
    if (shot.state == FIRING) {
        end_shot(CUT);
    }
}

static void lose_position(enum ended reason)
{
    rail.known = false;
    rail.limits_set = false;
    rail.ended = reason;
}

static void come_to_rest(enum ended ended)
{
    rail.motion = REST;
    rail.phase = NO_SEEK;
    rail.ended = ended;
}

static void end_at_once(enum ended reason)
{
    board_pulses_end();
    come_to_rest(reason);
    rail.latched = true;
    lose_position(reason);
}

/* --- Motion --- */

static uint32_t distance(int32_t from, int32_t to)
{
    return from < to ? (uint32_t)to - (uint32_t)from : (uint32_t)from - (uint32_t)to;
}

static void start_pulses(int8_t direction, uint32_t pulses, const struct pace *pace)
{
    if (rail.motion == REST) {
        rail.motion = MOVES;
        deadman.left = deadman.time;
    }
    rail.direction = direction;
    board_direction(direction > 0);
    board_pulses_start(ramp_begin(&rail.ramp, pace, pulses));
}

static void start_phase(enum phase phase)
{
    int8_t toward = rail.side == HIGH_SIDE ? 1 : -1;
    int8_t direction = phase == APPROACHES ? toward : (int8_t)-toward;
    int32_t end = direction > 0 ? POSITION_LIMIT : -POSITION_LIMIT;
    rail.phase = phase;
    if (rail.position == end) {
        come_to_rest(STOP); /* no numbers left to count with */
    } else {
        start_pulses(direction, distance(rail.position, end), phase == CREEPS_OFF ? &creep_pace : &seek_pace);
    }
}

static void run_ended(void)
{
    if (rail.motion == SLOWS) {
        come_to_rest(rail.end_reason);
    } else if (rail.phase == HAS_LEFT) {
        start_phase(APPROACHES);
    } else if (rail.phase == HAS_HIT) {
        start_phase(CREEPS_OFF);
    } else if (rail.phase == HAS_CLEARED) {
        come_to_rest(FOUND);
    } else {
        come_to_rest(rail.phase == NO_SEEK ? ARRIVED : STOP); /* a seek that ran out of numbers is no arrival */
    }
}

static void brake(void)
{
    if (!ramp_brake(&rail.ramp)) {
        board_pulses_end();
        run_ended();
    }
}

static void slow_down(enum ended reason)
{
    if (rail.motion == MOVES) {
        rail.motion = SLOWS;
        rail.end_reason = reason;
        brake();
    }
}

void rail_step(void)
{
    rail.position += rail.direction;
    uint32_t ticks = ramp_next(&rail.ramp);
    if (ticks != 0) {
        board_pulses_next(ticks);
    } else {
        board_pulses_end();
        run_ended();
    }
}

bool rail_steps_due(void)
{
    return rail.motion != REST;
}

void rail_stop(void)
{
    rail.latched = true;
    slow_down(STOP);
}

void rail_stop_at_once(void)
{
    if (rail.motion != REST) {
        end_at_once(SUDDEN);
    }
    rail.latched = true;
    cut_shot();
}

/* --- The tick --- */

/* True when the switch was hit just now. */
static bool sample_switch(struct limit_switch *limit, bool open)
{
    if (!limit->built_in) {
        return false;
    }
    if (open) {
        limit->closed_samples = 0;
        if (limit->open_samples < HIT_SAMPLES && ++limit->open_samples == HIT_SAMPLES && !limit->hit) {
            limit->hit = true;
            return true;
        }
    } else {
        limit->open_samples = 0;
        if (limit->closed_samples == 0) {
            limit->closed_at = rail.position;
        }
        if (limit->closed_samples < CLEAR_SAMPLES && ++limit->closed_samples == CLEAR_SAMPLES) {
            limit->hit = false;
        }
    }
    return false;
}

static void watch_switch(enum side side, bool open)
{
    bool hit_now = sample_switch(&switches[side], open);
    if (!hit_now || rail.motion == REST || (rail.phase != NO_SEEK && rail.side == side && !switches[!side].hit)) {
        return;
    }
    end_at_once(side == LOW_SIDE ? LOW : HIGH);
}

static void go_on_seeking(void)
{
    const struct limit_switch *limit = &switches[rail.side];
    if (rail.motion != MOVES) {
        return;
    }
    if (rail.phase == LEAVES && !limit->hit) {
        rail.phase = HAS_LEFT;
        brake();
    } else if (rail.phase == APPROACHES && limit->hit) {
        rail.phase = HAS_HIT;
        brake();
    } else if (rail.phase == CREEPS_OFF && !limit->hit) {
        rail.phase = HAS_CLEARED;
        rail.edge = limit->closed_at;
        rail.edge_found = true;
        brake();
    }
}

static void watch_supply(bool on)
{
    if (!SUPPLY_SENSE_BUILT_IN || on != supply.gone) {
        supply.other_samples = 0;
        return;
    }
    if (++supply.other_samples < SUPPLY_SAMPLES) {
        return;
    }
    supply.other_samples = 0;
    supply.gone = !supply.gone;
    if (supply.gone) {
        end_at_once(SUPPLY);
        cut_shot();
    }
}

static void watch_deadman(void)
{
    if (rail.motion == REST && !shot.focus_closed) {
        return;
    }
    if (deadman.left != 0 && --deadman.left == 0) {
        rail.latched = true;
        slow_down(DEADMAN);
        cut_shot();
    }
}

static void count_down(uint32_t *left)
{
    if (*left != 0) {
        --*left;
    }
}

static void close_shutter(void)
{
    board_shutter(true);
    shot.shutter_closed = true;
    shot.closed_left = shot.closed_time;
}

static void watch_sync(bool closed)
{
    if (shot.sync != WAITING || shot.sync_left == 0) {
        return;
    }
    shot.sync_left--;
    /* Only a contact that was open before can close: one that is stuck proves nothing. */
    if (!closed) {
        shot.sync_was_open = true;
        shot.sync_samples = 0;
    } else if (shot.sync_was_open && ++shot.sync_samples == SYNC_SAMPLES) {
        shot.sync = CLOSED;
        shot.sync_left = 0;
    }
}

static void go_on_shooting(bool sync_closed)
{
    if (shot.focus_closed && !shot.shutter_closed) {
        count_down(&shot.focus_left);
        if (shot.focus_left == 0) {
            close_shutter();
        }
        shot.sync_was_open = !sync_closed;
        return;
    }
    if (shot.shutter_closed) {
        count_down(&shot.closed_left);
        if (shot.closed_left == 0) {
            open_contacts();
        }
    }
    if (shot.state == FIRING) {
        watch_sync(sync_closed);
        count_down(&shot.busy_left);
        if (shot.busy_left == 0 && shot.sync_left == 0) {
            end_shot(FIRED);
        }
    }
}

bool rail_inputs_settle(void)
{
    uint8_t before = board_lock();
    bool settles = settle_left != 0;
    board_unlock(before);
    return settles;
}

void rail_tick(uint8_t inputs)
{
    if (settle_left != 0) {
        settle_left--;
    }
    watch_switch(LOW_SIDE, inputs & INPUT_LOW_OPEN);
    watch_switch(HIGH_SIDE, inputs & INPUT_HIGH_OPEN);
    watch_supply(inputs & INPUT_SUPPLY_ON);
    if (rail.phase != NO_SEEK) {
        go_on_seeking();
    }
    bool sync_closed = inputs & INPUT_SYNC_CLOSED;
    if (shot.focus_closed || shot.state == FIRING) {
        go_on_shooting(sync_closed);
    } else {
        shot.sync_was_open = !sync_closed;
    }
    watch_deadman();
}

/* --- Requests --- */

/* Judged and begun in one breath, so that a stop byte comes either before (and the latch refuses) or after (and it slows). */
#define LOCKED(request)                     \
    ({                                      \
        uint8_t before = board_lock();      \
        enum refusal refusal_ = (request);  \
        board_unlock(before);               \
        refusal_;                           \
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
    return rail.motion != REST || shot.state == FIRING;
}

static enum refusal able_to_move(void)
{
    if (rail.latched) {
        return R_STOPPED;
    }
    if (busy()) {
        return R_BUSY;
    }
    return rail.held ? ACCEPTED : R_UNHELD; /* no supply: the latch is set and `clear` is refused */
}

static enum refusal run_to(int32_t position, const struct pace *pace)
{
    bool both_hit = switches[LOW_SIDE].hit && switches[HIGH_SIDE].hit;
    enum side ahead = position > rail.position ? HIGH_SIDE : LOW_SIDE;
    if (both_hit || (position != rail.position && switches[ahead].hit)) {
        return R_SWITCH;
    }
    if (position == rail.position) {
        rail.ended = ARRIVED;
    } else {
        start_pulses(ahead == HIGH_SIDE ? 1 : -1, distance(rail.position, position), pace);
    }
    return ACCEPTED;
}

static enum refusal move(int64_t position)
{
    enum refusal refusal = able_to_move();
    if (refusal != ACCEPTED) {
        return refusal;
    }
    if (!rail.known) {
        return R_LOST;
    }
    if (!rail.limits_set || !within(position, rail.low_limit, rail.high_limit)) {
        return R_LIMITS;
    }
    return run_to((int32_t)position, &move_pace);
}

static enum refusal jog(int64_t position)
{
    enum refusal refusal = able_to_move();
    if (refusal != ACCEPTED) {
        return refusal;
    }
    if (!within(position - rail.position, -MICROSTEPS_PER_MM, MICROSTEPS_PER_MM)) {
        return R_RANGE;
    }
    if (rail.limits_set && !within(position, rail.low_limit, rail.high_limit)) {
        return R_LIMITS;
    }
    return run_to((int32_t)position, &jog_pace);
}

static enum refusal seek(enum side side)
{
    enum refusal refusal = able_to_move();
    if (refusal != ACCEPTED) {
        return refusal;
    }
    if (!switches[side].built_in || (switches[LOW_SIDE].hit && switches[HIGH_SIDE].hit)) {
        return R_SWITCH;
    }
    rail.limits_set = false;
    rail.side = side;
    start_phase(switches[side].hit ? LEAVES : APPROACHES);
    return ACCEPTED;
}

static enum refusal fire(int64_t number, int64_t position)
{
    if (number == shot.number) {
        return ACCEPTED;
    }
    if (number < shot.number) {
        return R_SHOT;
    }
    if (rail.latched) {
        return R_STOPPED;
    }
    if (busy() || shot.focus_closed) {
        return R_BUSY;
    }
    if (!rail.held) {
        return R_UNHELD;
    }
    if (!rail.known) {
        return R_LOST;
    }
    if (position != rail.position) {
        return R_PLACE;
    }
    shot.number = (uint32_t)number;
    shot.state = FIRING;
    shot.sync = shot.sync_time == 0 ? UNWIRED : WAITING;
    shot.sync_samples = 0;
    shot.focus_left = shot.focus_time;
    shot.busy_left = shot.busy_time;
    shot.sync_left = shot.sync_time;
    deadman.left = deadman.time;
    board_focus(true);
    shot.focus_closed = true;
    if (shot.focus_time == 0) {
        close_shutter();
    }
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
    if (!within(number, 1, UINT32_MAX) || !is_position(position)) {
        return R_RANGE;
    }
    return LOCKED(fire(number, position));
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
    pace_set_speed(&move_pace, (uint32_t)speed);
    return ACCEPTED;
}

enum refusal rail_acceleration(int64_t acceleration)
{
    if (busy()) {
        return R_BUSY;
    }
    if (!within(acceleration, 1, HIGHEST_ACCELERATION)) {
        return R_RANGE;
    }
    pace_set_acceleration(&move_pace, (uint32_t)acceleration);
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
    deadman.time = (uint32_t)time_ms * TICKS_PER_MS;
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
    shot.closed_time = (uint32_t)closed_ms * TICKS_PER_MS;
    shot.focus_time = (uint32_t)focus_ms * TICKS_PER_MS;
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
    shot.busy_time = (uint32_t)busy_ms * TICKS_PER_MS;
    shot.sync_time = SYNC_CONTACT_BUILT_IN ? (uint32_t)sync_ms * TICKS_PER_MS : 0;
    return ACCEPTED;
}

static enum refusal declare(int64_t position)
{
    if (busy()) {
        return R_BUSY;
    }
    if (!rail.held) {
        return R_UNHELD;
    }
    if (supply.gone) {
        return R_SUPPLY;
    }
    if (!is_position(position)) {
        return R_RANGE;
    }
    rail.position = (int32_t)position;
    rail.known = true;
    rail.limits_set = false;
    return ACCEPTED;
}

static enum refusal set_limits(int64_t low, int64_t high)
{
    if (busy()) {
        return R_BUSY;
    }
    if (!rail.known) {
        return R_LOST;
    }
    if (!is_position(low) || !is_position(high) || low > high) {
        return R_RANGE;
    }
    rail.low_limit = (int32_t)low;
    rail.high_limit = (int32_t)high;
    rail.limits_set = true;
    return ACCEPTED;
}

static enum refusal hold(bool held)
{
    if (busy()) {
        return R_BUSY;
    }
    rail.held = held;
    board_hold(held);
    if (!held) {
        lose_position(OFF);
    }
    return ACCEPTED;
}

static enum refusal clear(void)
{
    if (busy()) {
        return R_BUSY;
    }
    if (supply.gone) {
        return R_SUPPLY;
    }
    rail.latched = false;
    return ACCEPTED;
}

enum refusal rail_declare(int64_t position)
{
    return LOCKED(declare(position));
}

enum refusal rail_limits(int64_t low, int64_t high)
{
    return LOCKED(set_limits(low, high));
}

enum refusal rail_hold(bool held)
{
    return LOCKED(hold(held));
}

enum refusal rail_clear(void)
{
    return LOCKED(clear());
}

void rail_feed_deadman(void)
{
    uint8_t before = board_lock();
    deadman.left = deadman.time;
    board_unlock(before);
}

void rail_new_session(void)
{
    uint8_t before = board_lock();
    slow_down(STOP);
    cut_shot();
    rail.limits_set = false;
    board_unlock(before);
}

struct rail_view rail_look(void)
{
    uint8_t before = board_lock();
    struct rail_view view = {
        .motion = rail.motion,
        .ended = rail.ended,
        .known = rail.known,
        .limits_set = rail.limits_set,
        .held = rail.held,
        .latched = rail.latched,
        .supply_gone = supply.gone,
        .switch_hit = {switches[LOW_SIDE].hit, switches[HIGH_SIDE].hit},
        .position = rail.position,
        .shot = shot.number,
        .shot_state = shot.state,
        .sync = shot.sync,
        .edge_found = rail.edge_found,
        .edge = rail.edge,
    };
    board_unlock(before);
    return view;
}

void rail_boot(void)
{
    rail.held = true;
    /* Until they have been closed for 20 ms the switches count as hit: nothing is known of them yet. */
    switches[LOW_SIDE].built_in = switches[LOW_SIDE].hit = LOW_SWITCH_BUILT_IN;
    switches[HIGH_SIDE].built_in = switches[HIGH_SIDE].hit = HIGH_SWITCH_BUILT_IN;
    pace_set_speed(&jog_pace, JOG_SPEED);
    pace_set_speed(&seek_pace, SEEK_SPEED);
    pace_set_speed(&creep_pace, SEEK_SPEED / 8);
    pace_set_acceleration(&jog_pace, SLOW_ACCELERATION);
    pace_set_acceleration(&seek_pace, SLOW_ACCELERATION);
    pace_set_acceleration(&creep_pace, SLOW_ACCELERATION);
    move_pace = jog_pace;
    settle_left = CLEAR_SAMPLES + 1;
    deadman.time = 2000 * TICKS_PER_MS;
    shot.closed_time = 200 * TICKS_PER_MS;
    shot.busy_time = 200 * TICKS_PER_MS;
    board_hold(true);
    open_contacts();
}
