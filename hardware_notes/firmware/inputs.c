#include "inputs.h"

#include "board.h"
#include "config.h"

#define TICKS_PER_MS (TICK_HZ / 1000)

/* A switch is hit when open, and clear when closed, for this many samples in a row. */
#define HIT_SAMPLES (3 * TICKS_PER_MS / 10 + 1)
#define CLEAR_SAMPLES (20 * TICKS_PER_MS + 1)
#define SUPPLY_SAMPLES (5 * TICKS_PER_MS + 1)

static struct limit_switch {
    bool built_in, hit;
    uint8_t open_samples, closed_samples;
    int32_t closed_at;
} switches[2];

static struct {
    bool gone;
    uint8_t other_samples; /* in a row that contradict `gone` */
} supply;

static uint8_t settle_left; /* [ticks] */

void inputs_boot(void)
{
    /* Until they have been closed for 20 ms the switches count as hit: nothing is known of them yet. */
    switches[LOW_SIDE].built_in = switches[LOW_SIDE].hit = LOW_SWITCH_BUILT_IN;
    switches[HIGH_SIDE].built_in = switches[HIGH_SIDE].hit = HIGH_SWITCH_BUILT_IN;
    settle_left = CLEAR_SAMPLES + 1;
}

bool inputs_settle(void)
{
    uint8_t before = board_lock();
    bool settles = settle_left != 0;
    board_unlock(before);
    return settles;
}

void inputs_tick(void)
{
    if (settle_left != 0) {
        settle_left--;
    }
}

bool switch_sample(enum side side, bool open, int32_t position)
{
    struct limit_switch *limit = &switches[side];
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
            limit->closed_at = position;
        }
        if (limit->closed_samples < CLEAR_SAMPLES && ++limit->closed_samples == CLEAR_SAMPLES) {
            limit->hit = false;
        }
    }
    return false;
}

bool switch_built_in(enum side side)
{
    return switches[side].built_in;
}

bool switch_hit(enum side side)
{
    return switches[side].hit;
}

bool switches_both_hit(void)
{
    return switches[LOW_SIDE].hit && switches[HIGH_SIDE].hit;
}

int32_t switch_closed_at(enum side side)
{
    return switches[side].closed_at;
}

bool supply_sample(bool on)
{
    if (!SUPPLY_SENSE_BUILT_IN || on != supply.gone) {
        supply.other_samples = 0;
        return false;
    }
    if (++supply.other_samples < SUPPLY_SAMPLES) {
        return false;
    }
    supply.other_samples = 0;
    supply.gone = !supply.gone;
    return supply.gone;
}

bool supply_gone(void)
{
    return supply.gone;
}
