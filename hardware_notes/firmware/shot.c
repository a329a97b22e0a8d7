#include "shot.h"

#include "board.h"
#include "config.h"

#define TICKS_PER_MS (TICK_HZ / 1000)

/* Two samples: a spike from the motor's wires is shorter, a sync contact stays closed for longer. */
#define SYNC_SAMPLES 2

static struct {
    uint32_t number;
    enum shot_state state;
    enum sync sync;
    bool focus_closed, shutter_closed; /* the focus contact is closed at least as long as the other */
    bool sync_was_open;
    uint8_t sync_samples;
    uint32_t focus_left, closed_left, busy_left, sync_left; /* [ticks] */
    uint32_t focus_time, closed_time, busy_time, sync_time; /* as set [ticks] */
} shot;

void shot_set_contacts(uint32_t closed_ms, uint32_t focus_ms)
{
    shot.closed_time = closed_ms * TICKS_PER_MS;
    shot.focus_time = focus_ms * TICKS_PER_MS;
}

void shot_set_watch(uint32_t busy_ms, uint32_t sync_ms)
{
    shot.busy_time = busy_ms * TICKS_PER_MS;
    shot.sync_time = SYNC_CONTACT_BUILT_IN ? sync_ms * TICKS_PER_MS : 0;
}

struct shot_view shot_look(void)
{
    return (struct shot_view){.number = shot.number, .state = shot.state, .sync = shot.sync};
}

bool shot_in_progress(void)
{
    return shot.state == FIRING;
}

bool shot_contact_closed(void)
{
    return shot.focus_closed;
}

static void open_contacts(void)
{
    board_shutter(false);
    board_focus(false);
    shot.shutter_closed = false;
    shot.focus_closed = false;
}

static void close_shutter(void)
{
    board_shutter(true);
    shot.shutter_closed = true;
    shot.closed_left = shot.closed_time;
}

void shot_boot(void)
{
    open_contacts();
    shot_set_contacts(200, 0);
    shot_set_watch(200, 0);
}

void shot_fire(uint32_t number)
{
    shot.number = number;
    shot.state = FIRING;
    shot.sync = shot.sync_time == 0 ? UNWIRED : WAITING;
    shot.sync_samples = 0;
    shot.focus_left = shot.focus_time;
    shot.busy_left = shot.busy_time;
    shot.sync_left = shot.sync_time;
    board_focus(true);
    shot.focus_closed = true;
    if (shot.focus_time == 0) {
        close_shutter();
    }
}

static void end_shot(enum shot_state state)
{
    shot.state = state;
    if (shot.sync == WAITING) {
        shot.sync = shot.sync_was_open ? OPEN : STUCK;
    }
}

void shot_cut(void)
{
    open_contacts();
    if (shot.state == FIRING) {
        end_shot(CUT);
    }
}

static void count_down(uint32_t *left)
{
    if (*left != 0) {
        --*left;
    }
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

void shot_tick(bool sync_closed)
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
    } else {
        shot.sync_was_open = !sync_closed;
    }
}
