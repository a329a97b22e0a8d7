/* Shutter, focus and sync contacts: one exposure (the protocol page, section 7).
 * Interrupts off for all but the settings. */
#ifndef SHOT_H
#define SHOT_H

#include <stdbool.h>
#include <stdint.h>

enum shot_state { NO_SHOT, FIRING, FIRED, CUT };
enum sync { WAITING, CLOSED, OPEN, STUCK, UNWIRED };

struct shot_view {
    uint32_t number;
    enum shot_state state;
    enum sync sync;
};

void shot_boot(void);
struct shot_view shot_look(void);
bool shot_in_progress(void);
bool shot_contact_closed(void);

void shot_fire(uint32_t number);
void shot_cut(void);
void shot_tick(bool sync_closed);

/* Only the main loop sets these, and interrupts use them only while a shot is in progress. */
void shot_set_contacts(uint32_t closed_ms, uint32_t focus_ms);
void shot_set_watch(uint32_t busy_ms, uint32_t sync_ms);

#endif
