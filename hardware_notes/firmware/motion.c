#include "motion.h"

#include "board.h"
#include "config.h"
#include "ramp.h"

/* Seeking: slowly off the switch if it is hit, toward it, slowly off it. In between, slowing. A cut wire reads as hit
 * for ever and a bridged one never does: each way has its bound. */
enum phase { NO_SEEK, LEAVES, HAS_LEFT, APPROACHES, HAS_HIT, CREEPS_OFF, HAS_CLEARED, HAS_MISSED };

#define APPROACH_BOUND ((uint32_t)(TRAVEL_MM * MICROSTEPS_PER_MM))
#define OFF_BOUND ((uint32_t)(OVERTRAVEL_MM * MICROSTEPS_PER_MM))

static struct motion_view now;
static enum ended end_reason; /* of a motion that slows */
static int8_t direction;
static struct ramp ramp;
static struct pace move_pace, jog_pace, seek_pace, creep_pace;
static enum phase phase;
static enum side sought;

void motion_boot(void)
{
    pace_set_speed(&jog_pace, JOG_SPEED);
    pace_set_acceleration(&jog_pace, SLOW_ACCELERATION);
    move_pace = seek_pace = creep_pace = jog_pace;
    pace_set_speed(&seek_pace, SEEK_SPEED);
    pace_set_speed(&creep_pace, SEEK_SPEED / 8);
}

struct motion_view motion_look(void)
{
    return now;
}

bool motion_at_rest(void)
{
    return now.motion == REST;
}

int32_t motion_position(void)
{
    return now.position;
}

void motion_call_position(int32_t position)
{
    now.position = position;
}

void motion_set_speed(uint32_t speed)
{
    pace_set_speed(&move_pace, speed);
}

void motion_set_acceleration(uint32_t acceleration)
{
    pace_set_acceleration(&move_pace, acceleration);
}

static void come_to_rest(enum ended ended)
{
    now.motion = REST;
    now.ended = ended;
    phase = NO_SEEK;
}

void motion_end_at_once(enum ended reason)
{
    board_pulses_end();
    come_to_rest(reason);
}

/* From here to there when there is higher; from end to end it takes an unsigned number. */
static uint32_t way(int32_t here, int32_t there)
{
    return (uint32_t)there - (uint32_t)here;
}

static void start(bool positive, uint32_t pulses, const struct pace *pace)
{
    now.motion = MOVES;
    direction = positive ? 1 : -1;
    board_direction(positive);
    board_pulses_start(ramp_begin(&ramp, pace, pulses));
}

static void run_to(int32_t position, const struct pace *pace)
{
    if (position == now.position) {
        now.ended = ARRIVED;
    } else if (position > now.position) {
        start(true, way(now.position, position), pace);
    } else {
        start(false, way(position, now.position), pace);
    }
}

void motion_move(int32_t position)
{
    run_to(position, &move_pace);
}

void motion_jog(int32_t position)
{
    run_to(position, &jog_pace);
}

static void start_phase(enum phase next)
{
    bool positive = (next == APPROACHES) == (sought == HIGH_SIDE);
    uint32_t bound = next == APPROACHES ? APPROACH_BOUND : OFF_BOUND;
    uint32_t countable = positive ? way(now.position, POSITION_LIMIT) : way(-POSITION_LIMIT, now.position);
    if (countable == 0) {
        now.motion = MOVES;
        ramp.left = 0;
        phase = HAS_MISSED;
        return;
    }
    phase = next;
    start(positive, bound < countable ? bound : countable, next == APPROACHES ? &seek_pace : &creep_pace);
}

void motion_seek(enum side side)
{
    sought = side;
    start_phase(switch_hit(side) ? LEAVES : APPROACHES);
}

bool motion_seeks(enum side side)
{
    return phase != NO_SEEK && sought == side;
}

static void run_ended(void)
{
    if (now.motion == SLOWS) {
        come_to_rest(end_reason);
    } else if (phase == HAS_LEFT) {
        start_phase(APPROACHES);
    } else if (phase == HAS_HIT) {
        start_phase(CREEPS_OFF);
    } else if (phase == HAS_CLEARED) {
        come_to_rest(FOUND);
    } else if (phase == NO_SEEK) {
        come_to_rest(ARRIVED);
    } else {
        phase = HAS_MISSED;
    }
}

static void brake(void)
{
    if (!ramp_brake(&ramp)) {
        board_pulses_end();
        run_ended();
    }
}

void motion_slow(enum ended reason)
{
    if (now.motion == MOVES) {
        now.motion = SLOWS;
        end_reason = reason;
        brake();
    }
}

void motion_step(void)
{
    now.position += direction;
    uint32_t ticks = ramp_next(&ramp);
    if (ticks != 0) {
        board_pulses_next(ticks);
    } else {
        board_pulses_end();
        run_ended();
    }
}

bool motion_tick(void)
{
    if (now.motion != MOVES) {
        return true;
    }
    if (phase == LEAVES && !switch_hit(sought)) {
        phase = HAS_LEFT;
        brake();
    } else if (phase == APPROACHES && switch_hit(sought)) {
        phase = HAS_HIT;
        brake();
    } else if (phase == CREEPS_OFF && !switch_hit(sought)) {
        phase = HAS_CLEARED;
        now.edge = switch_closed_at(sought);
        now.edge_found = true;
        brake();
    }
    return phase != HAS_MISSED;
}
