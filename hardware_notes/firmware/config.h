/* What the builder sets: the rail, the driver, what is wired. Everything else follows from here. */
#ifndef CONFIG_H
#define CONFIG_H

/* Sent in reply to `identify`: 1 to 10 of a-z, 0-9, _ and -. */
#define NAME "bench"

#define BAUD_RATE 115200UL

/* The rail. The host's profile must say the same. */
#define MICROSTEPS_PER_TURN 3200L /* 200 full steps x 16 */
#define MICROSTEPS_PER_MM 1600L   /* microsteps a turn / lead in mm; for the 1 mm of `jog` */
#define TRAVEL_MM 80L             /* from one hard stop to the other: a seek goes no farther for its switch */

/* How far a seek leaves a switch that reads hit, or creeps back off it: one that does not close by then has a cut wire.
 * More than the rail can run on behind the place where a switch opens. */
#define OVERTRAVEL_MM 2L

/* What the rail can bear: microsteps/s and microsteps/s^2. The step interrupt manages 10000/s. */
#define HIGHEST_SPEED 10000L
#define HIGHEST_ACCELERATION 100000L

/* 1 mm/s^2: with less a stop would take the whole rail. */
#define LOWEST_ACCELERATION MICROSTEPS_PER_MM

/* Jogging and seeking: 1 mm/s and 3 mm/s^2, so that 0.17 mm stop a seek: less than a sturdy switch can be overrun. */
#define JOG_SPEED (MICROSTEPS_PER_MM < HIGHEST_SPEED ? MICROSTEPS_PER_MM : HIGHEST_SPEED)
#define SEEK_SPEED JOG_SPEED
#define SLOW_ACCELERATION (3 * MICROSTEPS_PER_MM)

/* What is wired: 1 or 0. */
#define LOW_SWITCH_BUILT_IN 1
#define HIGH_SWITCH_BUILT_IN 1
#define SUPPLY_SENSE_BUILT_IN 1
#define SYNC_CONTACT_BUILT_IN 1

/* The motor supply, and the divider that brings it to A2 (wiring.md). Below 80 % it counts as gone: many drivers switch
 * themselves off at 7 to 8 V and forget where the motor stood. */
#define SUPPLY_MV 12000L
#define SUPPLY_UPPER_OHM 22000L
#define SUPPLY_LOWER_OHM 10000L
#define SUPPLY_LEAST_PERCENT 80L
#define SUPPLY_AT_A2_MV (SUPPLY_MV * (SUPPLY_LOWER_OHM / 100) / ((SUPPLY_UPPER_OHM + SUPPLY_LOWER_OHM) / 100))

/* Level of the direction output for positive motion (deeper into the subject). */
#define POSITIVE_DIRECTION_LEVEL 1

_Static_assert(JOG_SPEED <= MICROSTEPS_PER_MM, "jogging is 1 mm/s at most");
_Static_assert(HIGHEST_SPEED <= 10000, "faster steps leave no time to receive");
_Static_assert(SEEK_SPEED <= HIGHEST_SPEED && SEEK_SPEED >= 8, "the way back is an eighth of it");
_Static_assert(4 * SEEK_SPEED >= MICROSTEPS_PER_MM, "seeking is 0.25 mm/s at least: hosts wait that long");
_Static_assert(SEEK_SPEED <= MICROSTEPS_PER_MM, "seeking is 1 mm/s at most");
_Static_assert(SEEK_SPEED * SEEK_SPEED / (2 * SLOW_ACCELERATION) < OVERTRAVEL_MM * MICROSTEPS_PER_MM / 4,
               "a seek stops well within the overtravel");
_Static_assert(OVERTRAVEL_MM >= 1 && OVERTRAVEL_MM <= 2, "protocol, section 6");
_Static_assert(TRAVEL_MM >= 1 && TRAVEL_MM < 1073741824 / MICROSTEPS_PER_MM, "protocol, section 1");
_Static_assert(HIGHEST_ACCELERATION <= 100000, "steeper ramps are coarse at this clock");
_Static_assert(LOWEST_ACCELERATION <= SLOW_ACCELERATION && SLOW_ACCELERATION <= HIGHEST_ACCELERATION, "accelerations");
_Static_assert(SUPPLY_AT_A2_MV >= 3000 && SUPPLY_AT_A2_MV <= 4500, "A2 bears 5 V, and the measurement wants 3 V");
_Static_assert(BAUD_RATE <= 115200, "faster bytes would be lost while a step and a tick run");
_Static_assert(MICROSTEPS_PER_TURN >= 1 && MICROSTEPS_PER_TURN <= 999999, "protocol, section 6");
_Static_assert(sizeof(NAME) >= 2 && sizeof(NAME) <= 11, "protocol, section 2");

#endif
