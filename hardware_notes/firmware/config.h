/* What the builder sets: the rail, the driver, what is wired. Everything else follows from here. */
#ifndef CONFIG_H
#define CONFIG_H

/* Sent in reply to `identify`: 1 to 10 of a-z, 0-9, _ and -. */
#define NAME "bench"

#define BAUD_RATE 115200UL

/* The rail. The host's profile must say the same. */
#define MICROSTEPS_PER_TURN 3200L /* 200 full steps x 16 */
#define MICROSTEPS_PER_MM 1600L   /* microsteps a turn / lead in mm; for the 1 mm of `jog` */

/* What the rail can bear: microsteps/s and microsteps/s^2. The step interrupt manages 10000/s. */
#define HIGHEST_SPEED 10000L
#define HIGHEST_ACCELERATION 100000L

/* Jogging: at most 1 mm/s. Seeking: speed^2 / (2 x acceleration) must be less than the switch's overtravel. */
#define JOG_SPEED 1600L
#define SEEK_SPEED 1600L
#define SLOW_ACCELERATION 4800L

/* What is wired: 1 or 0. */
#define LOW_SWITCH_BUILT_IN 1
#define HIGH_SWITCH_BUILT_IN 1
#define SUPPLY_SENSE_BUILT_IN 1
#define SYNC_CONTACT_BUILT_IN 1

/* Level of the direction output for positive motion (deeper into the subject). */
#define POSITIVE_DIRECTION_LEVEL 1

_Static_assert(JOG_SPEED <= MICROSTEPS_PER_MM, "jogging is 1 mm/s at most");
_Static_assert(HIGHEST_SPEED <= 10000, "faster steps leave no time to receive");
_Static_assert(SEEK_SPEED <= HIGHEST_SPEED && SEEK_SPEED >= 8, "the way back is an eighth of it");
_Static_assert(HIGHEST_ACCELERATION <= 100000, "steeper ramps are coarse at this clock");
_Static_assert(MICROSTEPS_PER_TURN >= 1 && MICROSTEPS_PER_TURN <= 999999, "protocol, section 6");
_Static_assert(sizeof(NAME) >= 2 && sizeof(NAME) <= 11, "protocol, section 2");

#endif
