/* The controller's core on a computer, under lines and events at random.
 *
 *     fuzz SEED LINES
 *
 * Half of the lines have a valid check code. A judge reads each line by itself, as the protocol page says and without
 * the core's code: pulses may start, contacts may close and the motor may be let go only on a line that orders it, pulses
 * stay within the limits and within the millimetre of a jog, and every reply is a line of the grammar. */
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "board.h"
#include "config.h"
#include "protocol.h"
#include "rail.h"

#define TIMER_TICKS_PER_TICK (TIMER_HZ / TICK_HZ)

static uint64_t dice_state;

static uint32_t dice(uint32_t sides) /* xorshift64* (Vigna 2016) */
{
    dice_state ^= dice_state >> 12;
    dice_state ^= dice_state << 25;
    dice_state ^= dice_state >> 27;
    return (uint32_t)((dice_state * 0x2545F4914F6CDD1DULL) >> 32) % sides;
}

static bool one_in(uint32_t n)
{
    return dice(n) == 0;
}

/* --- The board --- */

static uint32_t pulse_due;  /* timer ticks, 0: none */
static bool positive, pulses_started, held = true, shutter, focus, contact_closed_now, let_go_now;
static int64_t carriage;
static uint64_t pulses, starts, shots, replies, misses;
static char reply[256];
static size_t reply_length;
static char line[256];
static size_t line_length;

static void fail(const char *why)
{
    fprintf(stderr, "%s\nline (%zu): ", why, line_length);
    fwrite(line, 1, line_length, stderr);
    fprintf(stderr, "\nreply: ");
    fwrite(reply, 1, reply_length, stderr);
    fprintf(stderr, "\n");
    abort();
}

uint8_t board_lock(void)
{
    return 0;
}

void board_unlock(uint8_t before)
{
    (void)before;
}

void board_pulses_start(uint32_t ticks)
{
    if (ticks == 0) {
        fail("a pulse without a wait");
    }
    pulse_due = ticks;
    pulses_started = true;
}

void board_pulses_next(uint32_t ticks)
{
    board_pulses_start(ticks);
}

void board_pulses_end(void)
{
    pulse_due = 0;
}

void board_direction(bool is_positive)
{
    positive = is_positive;
}

void board_hold(bool is_held)
{
    let_go_now = let_go_now || !is_held;
    held = is_held;
}

void board_shutter(bool closed)
{
    contact_closed_now = contact_closed_now || closed;
    shots += closed && !shutter;
    shutter = closed;
}

void board_focus(bool closed)
{
    contact_closed_now = contact_closed_now || closed;
    focus = closed;
}

void board_send(const char *bytes, uint8_t count)
{
    if (reply_length + count > sizeof reply) {
        fail("too many replies");
    }
    memcpy(reply + reply_length, bytes, count);
    reply_length += count;
    replies++;
}

/* --- The judge: what a line orders, read from the protocol page. --- */

static uint16_t crc_of(const char *bytes, size_t count)
{
    static uint16_t table[256];
    if (table[1] == 0) {
        for (unsigned i = 0; i < 256; i++) {
            uint16_t value = (uint16_t)(i << 8);
            for (int bit = 0; bit < 8; bit++) {
                value = (uint16_t)(value & 0x8000 ? value << 1 ^ 0x1021 : value << 1);
            }
            table[i] = value;
        }
    }
    uint16_t crc = 0xFFFF;
    while (count--) {
        crc = (uint16_t)(crc << 8 ^ table[crc >> 8 ^ (uint8_t)*bytes++]);
    }
    return crc;
}

/* All the judge knows of the controller: whose session, which number was last, what moves are allowed. */
static uint32_t boot = 0x00A7, session, last_sequence;

static struct order {
    bool valid, named; /* a whole line with a right check code; one with boot, session and sequence */
    unsigned boot, session, sequence;
    char verb[64], first[64], second[64];
    int words; /* after the verb */
} order;

static bool is_hex(const char *word, size_t digits)
{
    return strlen(word) == digits && strspn(word, "0123456789ABCDEF") == digits;
}

static bool is_number(const char *word)
{
    const char *digits = word + (*word == '-');
    size_t count = strlen(digits);
    bool zero = strcmp(word, "0") == 0;
    return zero || (count >= 1 && count <= 10 && *digits != '0' && strspn(digits, "0123456789") == count);
}

static void read_order(void)
{
    char text[256], boot_word[64] = "", session_word[64] = "", sequence_word[64] = "", rest[64] = "", head[32];
    memset(&order, 0, sizeof order);
    if (line_length < 6 || line_length > 63) {
        return;
    }
    for (size_t i = 0; i < line_length; i++) {
        if (line[i] < 0x20 || line[i] > 0x7E) {
            return;
        }
    }
    char check[6];
    snprintf(check, sizeof check, " %04X", crc_of(line, line_length - 5));
    if (memcmp(line + line_length - 5, check, 5) != 0) {
        return;
    }
    order.valid = true;
    memcpy(text, line, line_length - 5);
    text[line_length - 5] = '\0';
    int words = sscanf(text, "ask %63s %63s %63s %63s %63s %63s %63s", boot_word, session_word, sequence_word,
                       order.verb, order.first, order.second, rest);
    snprintf(head, sizeof head, "ask %.4s %.8s %.8s ", boot_word, session_word, sequence_word);
    order.named = is_hex(boot_word, 4) && is_hex(session_word, 8) && is_hex(sequence_word, 8) &&
                  strncmp(text, head, strlen(head)) == 0;
    if (!order.named) {
        return;
    }
    order.boot = (unsigned)strtoul(boot_word, NULL, 16);
    order.session = (unsigned)strtoul(session_word, NULL, 16);
    order.sequence = (unsigned)strtoul(sequence_word, NULL, 16);
    bool one_space_each = strstr(text, "  ") == NULL && text[strlen(text) - 1] != ' ';
    order.words = one_space_each ? words - 4 : -1;
}

static bool may_act(void)
{
    return order.named && order.boot == boot && order.session == session && session != 0 &&
           order.sequence > last_sequence;
}

static bool orders(const char *verb, int words)
{
    return may_act() && strcmp(order.verb, verb) == 0 && order.words == words;
}

static bool in_range(const char *word, int64_t low, int64_t high)
{
    return is_number(word) && strtoll(word, NULL, 10) >= low && strtoll(word, NULL, 10) <= high;
}

static bool is_able(const struct rail_view *before)
{
    return !before->latched && before->motion.motion == REST && before->shot.state != FIRING && !before->supply_gone &&
           before->held;
}

static bool orders_motion(const struct rail_view *before)
{
    int64_t here = before->motion.position, there = strtoll(order.first, NULL, 10);
    if (!is_able(before) || (before->switch_hit[LOW_SIDE] && before->switch_hit[HIGH_SIDE])) {
        return false;
    }
    if (orders("seek", 1)) {
        return strcmp(order.first, "low") == 0 || strcmp(order.first, "high") == 0;
    }
    if (orders("jog", 1)) {
        return !before->switch_hit[there > here ? HIGH_SIDE : LOW_SIDE] &&
               in_range(order.first, here - MICROSTEPS_PER_MM, here + MICROSTEPS_PER_MM);
    }
    return orders("move", 1) && before->known && before->limits_set && !before->switch_hit[LOW_SIDE] &&
           !before->switch_hit[HIGH_SIDE] && in_range(order.first, -POSITION_LIMIT, POSITION_LIMIT);
}

static bool orders_shot(const struct rail_view *before)
{
    return orders("fire", 2) && in_range(order.first, (int64_t)before->shot.number + 1, UINT32_MAX) &&
           in_range(order.second, before->motion.position, before->motion.position) && before->known && is_able(before);
}

static bool moved, seeks_high;
static int64_t limit_low, limit_high, target, moved_from, away_in_a_row, toward_in_a_row;

static void check_reply(void)
{
    if (reply_length == 0) {
        if (order.named) {
            fail("no reply to a request");
        }
        return;
    }
    if (!order.valid) {
        fail("a reply to a damaged line");
    }
    if (reply_length > 64 || reply[reply_length - 1] != '\n' || memchr(reply, '\n', reply_length - 1) != NULL) {
        fail("a reply is one line of at most 64 bytes");
    }
    char head[32], check[8];
    snprintf(head, sizeof head, "say %08X %08X ", order.session, order.sequence);
    snprintf(check, sizeof check, " %04X\n", crc_of(reply, reply_length - 6));
    if (memcmp(reply, head, 22) != 0 || memcmp(reply + reply_length - 6, check, 6) != 0) {
        fail("head or check code of a reply");
    }
    if (memcmp(reply + 22, "ok", 2) != 0 && memcmp(reply + 22, "no ", 3) != 0) {
        fail("neither ok nor no");
    }
}

static void deliver(void)
{
    struct rail_view before = rail_look();
    read_order();
    reply_length = 0;
    pulses_started = contact_closed_now = let_go_now = false;
    for (size_t i = 0; i < line_length; i++) {
        protocol_byte((uint8_t)line[i]);
    }
    protocol_byte('\n');
    protocol_poll();
    if (pulses_started && before.motion.motion == REST && !orders_motion(&before)) {
        fail("pulses that no line ordered");
    }
    if (pulses_started && before.motion.motion == REST) {
        starts++;
        moved = strcmp(order.verb, "move") == 0 || strcmp(order.verb, "jog") == 0;
        target = moved ? strtoll(order.first, NULL, 10) : 0;
        moved_from = before.motion.position;
        seeks_high = strcmp(order.first, "high") == 0;
        away_in_a_row = toward_in_a_row = 0;
        if (moved && before.limits_set && (target < limit_low || target > limit_high)) {
            fail("a move beyond the limits");
        }
    }
    if (contact_closed_now && !orders_shot(&before)) {
        fail("a contact closed and no line ordered it");
    }
    if (let_go_now && !(orders("hold", 1) && strcmp(order.first, "off") == 0)) {
        fail("the motor was let go and no line ordered it");
    }
    check_reply();
    bool accepted = reply_length > 24 && memcmp(reply + 22, "ok", 2) == 0;
    if (accepted && orders("limits", 2)) {
        limit_low = strtoll(order.first, NULL, 10);
        limit_high = strtoll(order.second, NULL, 10);
    }
    bool identifies = strcmp(order.verb, "identify") == 0;
    if (accepted && strcmp(order.verb, "open") == 0 && order.session != session) {
        session = order.session;
        last_sequence = order.sequence;
    } else if (may_act() && !identifies) {
        last_sequence = order.sequence;
    }
}

/* --- Time and events --- */

static bool low_open, high_open, supply_lost, sync_closed, sync_stuck;

static void check_pulse(int64_t before, int64_t after, bool forward)
{
    pulses++;
    if (after - before != (forward ? 1 : -1)) {
        fail("count and direction differ");
    }
    int64_t low = moved_from < target ? moved_from : target, high = moved_from < target ? target : moved_from;
    if (moved && (after < low || after > high)) {
        fail("a pulse outside the ordered way");
    }
    if (!moved) {
        away_in_a_row = forward == seeks_high ? 0 : away_in_a_row + 1;
        toward_in_a_row = forward == seeks_high ? toward_in_a_row + 1 : 0;
    }
    if (away_in_a_row > OVERTRAVEL_MM * MICROSTEPS_PER_MM || toward_in_a_row > TRAVEL_MM * MICROSTEPS_PER_MM) {
        fail("a seek beyond its bounds");
    }
    if (!held || after > POSITION_LIMIT || after < -POSITION_LIMIT) {
        fail("a pulse that may not be");
    }
}

static void tick(void)
{
    bool moves = rail_look().motion.motion != REST;
    uint32_t time = TIMER_TICKS_PER_TICK;
    while (pulse_due != 0 && pulse_due <= time) {
        time -= pulse_due;
        pulse_due = 0;
        int64_t before = rail_look().motion.position;
        bool forward = positive; /* the step may turn the rail round for what follows */
        carriage += forward ? 1 : -1;
        motion_step();
        check_pulse(before, rail_look().motion.position, forward);
    }
    if (pulse_due != 0) {
        pulse_due -= time;
    }
    uint8_t inputs = 0;
    inputs |= low_open || carriage < -6000 ? INPUT_LOW_OPEN : 0;
    inputs |= high_open || carriage > 6000 ? INPUT_HIGH_OPEN : 0;
    inputs |= supply_lost ? 0 : INPUT_SUPPLY_ON;
    inputs |= sync_closed ? INPUT_SYNC_CLOSED : 0;
    rail_tick(inputs);
    struct rail_view view = rail_look();
    if ((view.motion.motion != REST) != (pulse_due != 0)) {
        fail("motion without pulses, or pulses without motion");
    }
    misses += moves && view.motion.motion == REST && view.motion.ended == MISSED;
    if (moves && view.motion.motion == REST && view.motion.ended == MISSED && (view.known || !view.latched)) {
        fail("a seek that missed its switch left the position known, or the rail free to move");
    }
}

static void pass_time(void)
{
    uint32_t ticks = one_in(400) ? dice(30000) : one_in(10) ? dice(600) : dice(6);
    if (one_in(30)) {
        low_open = one_in(12);
    }
    if (one_in(30)) {
        high_open = one_in(12);
    }
    if (one_in(30)) {
        sync_stuck = one_in(12);
    }
    if (supply_lost || one_in(200)) {
        supply_lost = !one_in(4);
    }
    while (ticks--) {
        if (one_in(9)) {
            sync_closed = sync_stuck || (shutter && one_in(2));
        }
        tick();
    }
    if (one_in(100)) {
        bool at_once = one_in(2);
        protocol_byte(at_once ? 0x98 : 0x8E);
        if (at_once && (pulse_due != 0 || shutter || focus)) {
            fail("pulses or contacts outlived a stop at once");
        }
    }
}

/* --- Lines --- */

static long long wild(void)
{
    static const long long edges[] = {
        0, 1, -1, 400, 60000, 3600000, 4294967295, 4294967296, 9999999999, 12345678901,
        1073741824, -1073741824, 1073741825, -1073741825, 2147483647, -2147483648};
    switch (dice(4)) {
    case 0: return edges[dice(sizeof edges / sizeof *edges)];
    case 1: return rail_look().motion.position + (long long)dice(3001) - 1500;
    case 2: return (long long)dice(20001) - 10000;
    default: return dice(2000);
    }
}

enum verb { IDENTIFY, OPEN_SESSION, WHERE, STATE, SHOT, EDGE, SPEED, ACCEL, DEADMAN_TIME, SHUTTER, WATCH, DECLARE,
            LIMITS, MOVE, JOG, SEEK, FIRE, HOLD, CLEAR, WILD_SHUTTER, WILD_WATCH, WILD_LIMITS, WILD_FIRE, WILD_MOVE, WILD_JOG,
            VERB_COUNT };

static int put_request(char *text, size_t room, enum verb verb)
{
    struct rail_view view = rail_look();
    long long here = view.motion.position, shot = view.shot.number;
    switch (verb) {
    case IDENTIFY: return snprintf(text, room, "identify");
    case OPEN_SESSION: return snprintf(text, room, "open %08X", one_in(4) ? dice(9) : session);
    case WHERE: return snprintf(text, room, "where");
    case STATE: return snprintf(text, room, "state");
    case SHOT: return snprintf(text, room, "shot");
    case EDGE: return snprintf(text, room, "edge");
    case SPEED: return snprintf(text, room, "speed %lld", one_in(4) ? wild() : 1LL + dice(10000));
    case ACCEL: return snprintf(text, room, "accel %lld", one_in(4) ? wild() : 1LL + dice(100000));
    case DEADMAN_TIME: return snprintf(text, room, "deadman %lld", one_in(3) ? wild() : 400LL + dice(400));
    case SHUTTER: return snprintf(text, room, "shutter %u %u", dice(60), one_in(2) ? 0 : dice(20));
    case WATCH: return snprintf(text, room, "watch %u %u", dice(60), one_in(2) ? 0 : dice(60));
    case DECLARE:
        carriage = one_in(8) ? (int64_t)dice(16000) - 8000 : carriage; /* somebody turned the screw */
        return snprintf(text, room, "declare %lld", wild());
    case LIMITS: return snprintf(text, room, "limits %lld %lld", here - dice(5000), here + dice(5000));
    case MOVE: return snprintf(text, room, "move %lld", here + dice(4000) - 2000);
    case JOG: return snprintf(text, room, "jog %lld", here + dice(3600) - 1800);
    case SEEK: return snprintf(text, room, "seek %s", one_in(9) ? "middle" : one_in(2) ? "low" : "high");
    case FIRE:
        return snprintf(text, room, "fire %lld %lld", one_in(2) ? shot + 1 : shot + dice(3) - 1, here + one_in(6));
    case HOLD: return snprintf(text, room, "hold %s", one_in(9) ? "maybe" : one_in(3) ? "off" : "on");
    case CLEAR: return snprintf(text, room, "clear");
    case WILD_SHUTTER: return snprintf(text, room, "shutter %lld %lld", wild(), wild());
    case WILD_WATCH: return snprintf(text, room, "watch %lld %lld", wild(), wild());
    case WILD_LIMITS: return snprintf(text, room, "limits %lld %lld", wild(), wild());
    case WILD_FIRE: return snprintf(text, room, "fire %lld %lld", wild(), wild());
    case WILD_MOVE: return snprintf(text, room, "move %lld", wild());
    default: return snprintf(text, room, "jog %lld", wild());
    }
}

/* What a host would ask next, so that the run does not stay in front of the first refusal. */
static enum verb sensible_verb(void)
{
    struct rail_view view = rail_look();
    if (view.latched) {
        return CLEAR;
    }
    if (!view.held) {
        return HOLD;
    }
    if (!view.known) {
        return one_in(3) ? SEEK : DECLARE;
    }
    if (!view.limits_set) {
        return LIMITS;
    }
    return one_in(3) ? FIRE : MOVE;
}

static void compose(void)
{
    unsigned its_boot = one_in(60) ? dice(0x10000) : boot;
    unsigned its_session = one_in(60) ? dice(9) : session;
    unsigned its_sequence = last_sequence + (one_in(30) ? dice(3) - 1 : 1 + one_in(20) * dice(1000));
    enum verb verb = one_in(2) ? sensible_verb() : dice(VERB_COUNT);
    if (session == 0 && one_in(50)) {
        verb = OPEN_SESSION;
    }
    if (session == 0 ? !one_in(3) : verb == OPEN_SESSION && !one_in(3)) {
        its_session = dice(1000);
    }
    int head = snprintf(line, sizeof line, "ask %04X %08X %08X ", its_boot, its_session, its_sequence);
    line_length = (size_t)(head + put_request(line + head, sizeof line - (size_t)head, verb));
    if (one_in(25)) { /* words that nobody meant */
        uint32_t whole = (uint32_t)line_length, before_verb = (uint32_t)head;
        size_t from = one_in(3) ? dice(whole) : before_verb + dice(whole - before_verb);
        size_t count = 1 + dice(3);
        for (size_t i = from; i < line_length && count--; i++) {
            line[i] = one_in(2) ? ' ' : "0129-+.xXaAfFgG~/:@"[dice(19)];
        }
        if (one_in(3)) {
            line_length += (size_t)snprintf(line + line_length, 24, " %u %u", dice(9), dice(9));
        }
        if (one_in(9)) {
            line_length = dice((uint32_t)line_length + 1);
        }
    }
    line_length += (size_t)snprintf(line + line_length, 8, " %04X", crc_of(line, line_length));
}

/* A line as noise leaves it; a right check code by chance is nearly impossible, and would be judged as one. */
static void spoil(void)
{
    if (one_in(4)) {
        line_length = dice(100);
        for (size_t i = 0; i < line_length; i++) {
            line[i] = (char)(one_in(4) ? dice(256) : 0x20 + dice(95));
        }
    } else if (line_length > 0) {
        for (uint32_t faults = 1 + dice(3); faults--;) {
            size_t at = dice((uint32_t)line_length);
            switch (dice(3)) {
            case 0: line[at] = (char)(line[at] ^ (char)(1 << dice(8))); break;
            case 1: line[at] = (char)dice(256); break;
            default: line_length = at + 1; break;
            }
        }
    }
    for (size_t i = 0; i < line_length; i++) {
        if (line[i] == '\n' || (uint8_t)line[i] == 0x8E || (uint8_t)line[i] == 0x98) {
            line[i] = 0x7F; /* those end the line or act at once: they have their turn in pass_time() */
        }
    }
}

static void boot_up(void)
{
    rail_boot();
    while (inputs_settle()) {
        tick();
    }
    reply_length = 0;
    protocol_boot((uint16_t)boot);
    if (reply_length != strlen("note 00A7 boot " NAME " 0000\n")) {
        fail("the boot notice");
    }
}

int main(int argc, char *argv[])
{
    if (argc != 3) {
        return 2;
    }
    dice_state = strtoull(argv[1], NULL, 10) * 2654435769ULL + 1;
    uint64_t lines = strtoull(argv[2], NULL, 10), valid = 0;
    boot_up();
    for (uint64_t i = 0; i < lines; i++) {
        compose();
        if (i % 2) {
            spoil();
        }
        deliver();
        valid += order.valid;
        pass_time();
        if (one_in(500)) { /* a stop byte or a second line in the wrong moment */
            for (size_t k = 0; k < line_length / 2; k++) {
                protocol_byte((uint8_t)line[k]);
            }
            protocol_byte(one_in(2) ? 0x8E : 0x98);
            protocol_byte(one_in(2) ? '\n' : 'x');
            protocol_byte('\n');
            protocol_byte('\n');
            protocol_poll();
        }
        if (one_in(500)) { /* two whole lines before the main loop looks: the second is dropped */
            bool stays = line_length > 0 && line_length < 64;
            for (int k = 0; k < 2; k++) {
                protocol_byte('!');
                protocol_byte('\n');
            }
            reply_length = 0;
            protocol_poll();
            protocol_poll();
            if (stays && reply_length != 0) {
                fail("an answer to nothing");
            }
        }
    }
    printf("lines %llu valid %llu replies %llu starts %llu pulses %llu shots %llu misses %llu\n",
           (unsigned long long)lines, (unsigned long long)valid, (unsigned long long)replies,
           (unsigned long long)starts, (unsigned long long)pulses, (unsigned long long)shots,
           (unsigned long long)misses);
    return 0;
}
