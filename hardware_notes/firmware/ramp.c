/* Under constant acceleration a from rest, pulse k is due at sqrt(2k/a). The wait before it is then c(k-1) with
 * c(n) = sqrt(2/a) (sqrt(n+1) - sqrt(n)), and to second order in 1/n
 *
 *     c(n) = c(n-1) - 2 c(n-1) / (4n + 1)
 *
 * (the recurrence of D. Austin, Generate stepper-motor speed profiles in real time, 2005: from memory; it follows from a
 * series of the quotient c(n)/c(n-1)). Braking walks the same rungs backwards. First and last wait are the
 * full sqrt(2/a), so that a move takes L/v + v/a; the recurrence starts at rung 1 with the value from which it meets
 * the root in the limit. The remainder of each division is carried on: dropped, it would add up over a long ramp. */
#include "ramp.h"

#include "board.h"

static uint32_t square_root(uint64_t square)
{
    uint64_t root = 0;
    for (uint64_t bit = 1ULL << 62; bit != 0; bit >>= 2) {
        if (square >= root + bit) {
            square -= root + bit;
            root = (root >> 1) + bit;
        } else {
            root >>= 1;
        }
    }
    return (uint32_t)root;
}

static uint32_t larger(uint32_t a, uint32_t b)
{
    return a > b ? a : b;
}

void pace_set_speed(struct pace *pace, uint32_t speed)
{
    pace->cruise = ((TIMER_HZ << 8) + speed / 2) / speed;
}

void pace_set_acceleration(struct pace *pace, uint32_t acceleration)
{
    const uint64_t second_squared = (uint64_t)(TIMER_HZ << 8) * (TIMER_HZ << 8);
    pace->only = square_root(4 * second_squared / acceleration);
    pace->first = square_root(2 * second_squared / acceleration);
    pace->second = (uint32_t)(((uint64_t)pace->first * 6645) >> 14); /* 0.405587 */
}

static uint32_t whole_ticks(struct ramp *ramp)
{
    uint32_t sum = ramp->interval + ramp->fraction;
    ramp->fraction = (uint8_t)sum;
    return sum >> 8;
}

uint32_t ramp_begin(struct ramp *ramp, const struct pace *pace, uint32_t pulses)
{
    ramp->pace = *pace;
    ramp->left = pulses;
    ramp->rung = 0;
    ramp->rest = 0;
    ramp->fraction = 0;
    ramp->interval = larger(pulses == 1 ? pace->only : pace->first, pace->cruise);
    return whole_ticks(ramp);
}

/* Twice the interval and the carried remainder, over the divisor. The library's division takes all 32 rounds; this one
 * takes as many as the quotient has bits, and where steps come fast it has few. */
static uint32_t change(struct ramp *ramp, uint32_t divisor)
{
    uint32_t rest = 2 * ramp->interval + ramp->rest;
    uint32_t quotient = 0;
    uint8_t rounds = 1;
    while (divisor <= rest >> 1) {
        divisor <<= 1;
        rounds++;
    }
    while (rounds-- != 0) {
        quotient <<= 1;
        if (rest >= divisor) {
            rest -= divisor;
            quotient |= 1;
        }
        divisor >>= 1;
    }
    ramp->rest = rest;
    return quotient;
}

uint32_t ramp_next(struct ramp *ramp)
{
    ramp->left--;
    if (ramp->left == 0) {
        return 0;
    }
    if (ramp->left <= ramp->rung) {
        ramp->rung--;
        if (ramp->rung == 0) {
            ramp->interval = larger(ramp->pace.first, ramp->pace.cruise);
        } else {
            ramp->interval += change(ramp, 4 * ramp->rung + 3);
        }
    } else if (ramp->left > ramp->rung + 1 && ramp->interval > ramp->pace.cruise) {
        ramp->rung++;
        if (ramp->rung == 1) {
            ramp->interval = ramp->pace.second;
        } else {
            ramp->interval -= change(ramp, 4 * ramp->rung + 1);
        }
        ramp->interval = larger(ramp->interval, ramp->pace.cruise);
    }
    return whole_ticks(ramp);
}

bool ramp_brake(struct ramp *ramp)
{
    uint32_t distance = ramp->rung == 0 ? 0 : ramp->rung + 1;
    if (ramp->left > distance) {
        ramp->left = distance;
    }
    return ramp->left != 0;
}
