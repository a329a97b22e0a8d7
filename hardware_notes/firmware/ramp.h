/* The trapezoid: how long to wait before each pulse. Whole numbers only. */
#ifndef RAMP_H
#define RAMP_H

#include <stdbool.h>
#include <stdint.h>

/* Intervals are in 1/256 of a tick of the step timer. */
struct pace {
    uint32_t only;   /* before the pulse of a move of one: 2 sqrt(1/a) */
    uint32_t first;  /* before the first and the last pulse: sqrt(2/a) */
    uint32_t second; /* where the recurrence starts */
    uint32_t cruise; /* 1/v */
};

struct ramp {
    struct pace pace;
    uint32_t left;     /* pulses still to come */
    uint32_t rung;     /* steps of the ramp behind the present speed, so also the braking distance */
    uint32_t interval; /* the one that runs */
    uint32_t rest;     /* remainder of the last division */
    uint8_t fraction;  /* of a tick, not yet waited */
};

/* speed in microsteps/s, acceleration in microsteps/s^2, both at least 1. */
void pace_set_speed(struct pace *pace, uint32_t speed);
void pace_set_acceleration(struct pace *pace, uint32_t acceleration);

/* Ticks to the first pulse of a move of `pulses` (at least 1). */
uint32_t ramp_begin(struct ramp *ramp, const struct pace *pace, uint32_t pulses);

/* To be called at each pulse: ticks to the next one, 0 when that was the last. */
uint32_t ramp_next(struct ramp *ramp);

/* Cuts the move down to its braking distance. False when no pulse is left. */
bool ramp_brake(struct ramp *ramp);

#endif
