#include "protocol.h"

#include <stdbool.h>
#include <string.h>

#include "board.h"
#include "config.h"
#include "rail.h"
#include "words.h"

#define PROTOCOL_VERSION 1

#define STOP_BYTE 0x8E
#define STOP_AT_ONCE_BYTE 0x98

#define CHECK_LENGTH 5 /* space and four digits */

/* --- Lines in: one is gathered while the one before is answered. --- */

static struct {
    char text[2][LINE_MAX];
    uint8_t length, waiting_length, gathering; /* which of the two is being filled */
    bool dropping;                             /* up to and including the next LF */
    bool waits;                                /* the other one is whole */
} line;

static void drop_line(void)
{
    line.dropping = true;
    line.length = 0;
}

void protocol_byte(uint8_t byte)
{
    if (byte == STOP_BYTE || byte == STOP_AT_ONCE_BYTE) {
        if (byte == STOP_BYTE) {
            rail_stop();
        } else {
            rail_stop_at_once();
        }
        if (line.length != 0) {
            drop_line();
        }
    } else if (byte == '\n') {
        /* While a line waits another one has no place: its sender will ask again. */
        if (line.length != 0 && !line.waits) {
            line.waits = true;
            line.waiting_length = line.length;
            line.gathering ^= 1;
        }
        line.dropping = false;
        line.length = 0;
    } else if (byte < 0x20 || byte > 0x7E || line.length == LINE_MAX - 1) {
        drop_line();
    } else if (!line.dropping) {
        line.text[line.gathering][line.length++] = (char)byte;
    }
}

/* --- The session --- */

static uint16_t boot;
static uint32_t session, last_sequence;
static struct reply stored, passing; /* the one to be sent again on demand; any other */

struct request {
    uint32_t session, sequence;
    uint8_t argument_count;
    char **arguments;
};

static void begin_reply(struct reply *reply, const struct request *request)
{
    reply->length = 0;
    put_word(reply, "say");
    put_hex(reply, request->session, 8);
    put_hex(reply, request->sequence, 8);
}

static void put_refusal(struct reply *reply, enum refusal refusal)
{
    static const char *const words[] = {
        [R_BOOT] = "boot",       [R_SESSION] = "session", [R_SEQUENCE] = "sequence", [R_VERB] = "verb",
        [R_WORDS] = "words",     [R_RANGE] = "range",     [R_BUSY] = "busy",         [R_STOPPED] = "stopped",
        [R_LOST] = "lost",       [R_LIMITS] = "limits",   [R_SWITCH] = "switch",     [R_SUPPLY] = "supply",
        [R_UNHELD] = "unheld",   [R_PLACE] = "place",     [R_SHOT] = "shot",
    };
    put_word(reply, "no");
    put_word(reply, words[refusal]);
}

/* --- The verbs. Each puts what follows `ok`, or returns why not. --- */

static void put_shot(struct reply *reply, const struct rail_view *view)
{
    static const char *const states[] = {
        [NO_SHOT] = "none", [FIRING] = "firing", [FIRED] = "fired", [CUT] = "cut"};
    static const char *const syncs[] = {
        [WAITING] = "waiting", [CLOSED] = "closed", [OPEN] = "open", [STUCK] = "stuck", [UNWIRED] = "unwired"};
    put_number(reply, view->shot.number);
    put_word(reply, states[view->shot.state]);
    put_word(reply, syncs[view->shot.sync]);
}

static void put_identity(struct reply *reply)
{
    put_number(reply, PROTOCOL_VERSION);
    put_hex(reply, boot, 4);
    put_number(reply, MICROSTEPS_PER_TURN);
    put_hex(reply, session, 8);
    put_word(reply, NAME);
}

static void put_where(struct reply *reply, const struct rail_view *view)
{
    static const char *const motions[] = {[REST] = "rest", [MOVES] = "moves", [SLOWS] = "slows"};
    static const char *const ends[] = {
        [NONE] = "none", [ARRIVED] = "arrived", [FOUND] = "found",     [STOP] = "stop",     [SUDDEN] = "sudden",
        [LOW] = "low",   [HIGH] = "high",       [DEADMAN] = "deadman", [SUPPLY] = "supply", [OFF] = "off",
        [MISSED] = "missed"};
    put_word(reply, motions[view->motion.motion]);
    put_word(reply, view->known ? "known" : "lost");
    put_number(reply, view->motion.position);
    put_word(reply, ends[view->motion.ended]);
}

static void put_switch(struct reply *reply, bool built_in, bool hit)
{
    put_word(reply, !built_in ? "none" : hit ? "hit" : "free");
}

static void put_state(struct reply *reply, const struct rail_view *view)
{
    put_switch(reply, LOW_SWITCH_BUILT_IN, view->switch_hit[LOW_SIDE]);
    put_switch(reply, HIGH_SWITCH_BUILT_IN, view->switch_hit[HIGH_SIDE]);
    put_word(reply, !SUPPLY_SENSE_BUILT_IN ? "none" : view->supply_gone ? "gone" : "on");
    put_word(reply, view->held ? "held" : "off");
    put_word(reply, view->limits_set ? "set" : "void");
    put_word(reply, view->latched ? "stopped" : "clear");
}

enum verb { IDENTIFY, OPEN_SESSION, WHERE, STATE, SHOT, EDGE, SPEED, ACCEL, DEADMAN_TIME, SHUTTER, WATCH,
            DECLARE, LIMITS, MOVE, JOG, SEEK, FIRE, HOLD, CLEAR, VERB_COUNT };

static const struct {
    const char *word;
    uint8_t argument_count;
    bool numbers;
} verbs[VERB_COUNT] = {
    [IDENTIFY] = {"identify", 0, true},
    [OPEN_SESSION] = {"open", 1, false},
    [WHERE] = {"where", 0, true},
    [STATE] = {"state", 0, true},
    [SHOT] = {"shot", 0, true},
    [EDGE] = {"edge", 0, true},
    [SPEED] = {"speed", 1, true},
    [ACCEL] = {"accel", 1, true},
    [DEADMAN_TIME] = {"deadman", 1, true},
    [SHUTTER] = {"shutter", 2, true},
    [WATCH] = {"watch", 2, true},
    [DECLARE] = {"declare", 1, true},
    [LIMITS] = {"limits", 2, true},
    [MOVE] = {"move", 1, true},
    [JOG] = {"jog", 1, true},
    [SEEK] = {"seek", 1, false},
    [FIRE] = {"fire", 2, true},
    [HOLD] = {"hold", 1, false},
    [CLEAR] = {"clear", 0, true},
};

static enum verb find_verb(const char *word)
{
    uint8_t verb = 0;
    while (verb < VERB_COUNT && strcmp(word, verbs[verb].word) != 0) {
        verb++;
    }
    return verb;
}

static enum refusal seek(const char *word)
{
    if (strcmp(word, "low") == 0) {
        return rail_seek(LOW_SIDE);
    }
    if (strcmp(word, "high") == 0) {
        return rail_seek(HIGH_SIDE);
    }
    return R_WORDS;
}

static enum refusal hold(const char *word)
{
    if (strcmp(word, "on") == 0) {
        return rail_hold(true);
    }
    if (strcmp(word, "off") == 0) {
        return rail_hold(false);
    }
    return R_WORDS;
}

/* `open` once it is admitted: section 6. */
static enum refusal open_session(const struct request *request)
{
    uint32_t old;
    if (!read_hex(request->arguments[0], 8, &old)) {
        return R_WORDS;
    }
    if (old != session || request->session == 0) {
        return R_SESSION;
    }
    session = request->session;
    last_sequence = request->sequence;
    rail_new_session();
    return ACCEPTED;
}

/* A shot may be over before its reply is written: the reply tells of the moment at which it began. */
static enum refusal fire(const int64_t number[2], struct rail_view *view)
{
    uint8_t before = board_lock();
    enum refusal refusal = rail_fire(number[0], number[1]);
    *view = rail_look();
    board_unlock(before);
    return refusal;
}

/* `view` is what the reply tells of. */
static enum refusal act(enum verb verb, const struct request *request, struct rail_view *view)
{
    int64_t number[2] = {0, 0};
    *view = rail_look();
    if (verb == VERB_COUNT) {
        return R_VERB;
    }
    if (request->argument_count != verbs[verb].argument_count) {
        return R_WORDS;
    }
    for (uint8_t i = 0; verbs[verb].numbers && i < request->argument_count; i++) {
        if (!read_number(request->arguments[i], &number[i])) {
            return R_WORDS;
        }
    }
    switch (verb) {
    case OPEN_SESSION: return open_session(request);
    case EDGE: return view->motion.edge_found ? ACCEPTED : R_LOST;
    case SPEED: return rail_speed(number[0]);
    case ACCEL: return rail_acceleration(number[0]);
    case DEADMAN_TIME: return rail_deadman(number[0]);
    case SHUTTER: return rail_shutter(number[0], number[1]);
    case WATCH: return rail_watch(number[0], number[1]);
    case DECLARE: return rail_declare(number[0]);
    case LIMITS: return rail_limits(number[0], number[1]);
    case MOVE: return rail_move(number[0]);
    case JOG: return rail_jog(number[0]);
    case SEEK: return seek(request->arguments[0]);
    case FIRE: return fire(number, view);
    case HOLD: return hold(request->arguments[0]);
    case CLEAR: return rail_clear();
    default: return ACCEPTED; /* those that only tell */
    }
}

static void put_answer(struct reply *reply, enum verb verb, const struct request *request)
{
    struct rail_view view;
    enum refusal refusal = act(verb, request, &view);
    begin_reply(reply, request);
    if (refusal != ACCEPTED) {
        put_refusal(reply, refusal);
        if (refusal == R_SESSION) {
            put_hex(reply, session, 8);
        } else if (refusal == R_SHOT) {
            put_number(reply, view.shot.number);
        }
        return;
    }
    put_word(reply, "ok");
    switch (verb) {
    case IDENTIFY: put_identity(reply); break;
    case WHERE: put_where(reply, &view); break;
    case STATE: put_state(reply, &view); break;
    case SHOT:
    case FIRE: put_shot(reply, &view); break;
    case EDGE: put_number(reply, view.motion.edge); break;
    default: break;
    }
}

static const struct reply *answer(struct reply *reply, enum verb verb, const struct request *request)
{
    put_answer(reply, verb, request);
    end_reply(reply);
    return reply;
}

/* Not stored: it answers no request of the open session. */
static const struct reply *refuse(const struct request *request, enum refusal refusal, uint32_t present, uint8_t digits)
{
    begin_reply(&passing, request);
    put_refusal(&passing, refusal);
    put_hex(&passing, present, digits);
    end_reply(&passing);
    return &passing;
}

/* What session 00000000 may ask: nothing changes by it, not even the deadman. */
static bool only_tells(enum verb verb)
{
    return verb == WHERE || verb == STATE || verb == SHOT || verb == EDGE;
}

/* Section 4, rules 1 to 8. */
static const struct reply *judge(uint32_t request_boot, enum verb verb, const struct request *request)
{
    if (verb == IDENTIFY) {
        return answer(&passing, verb, request);
    }
    if (request_boot != boot) {
        return refuse(request, R_BOOT, boot, 4);
    }
    if (request->session == 0 && only_tells(verb)) {
        return answer(&passing, verb, request);
    }
    if (verb == OPEN_SESSION && request->session != session) {
        answer(&passing, verb, request);
        if (session == request->session) {
            stored = passing;
        }
        return &passing;
    }
    if (request->session != session || session == 0) {
        return refuse(request, R_SESSION, session, 8);
    }
    if (request->sequence < last_sequence) {
        return refuse(request, R_SEQUENCE, last_sequence, 8);
    }
    rail_feed_deadman();
    if (request->sequence == last_sequence) {
        return &stored;
    }
    last_sequence = request->sequence;
    return answer(&stored, verb, request);
}

/* The reply to a line, or none. */
static const struct reply *take_line(char *text, uint8_t length)
{
    uint32_t check, request_boot;
    char *words[WORDS_MAX];
    struct request request;

    if (length <= CHECK_LENGTH) {
        return NULL;
    }
    text[length] = '\0'; /* the place of the LF */
    length -= CHECK_LENGTH;
    if (text[length] != ' ' || !read_hex(&text[length + 1], 4, &check) || check != check_code(text, length)) {
        return NULL;
    }
    text[length] = '\0';
    uint8_t count = split(text, words);
    if (count < 5 || strcmp(words[0], "ask") != 0 || !read_hex(words[1], 4, &request_boot) ||
        !read_hex(words[2], 8, &request.session) || !read_hex(words[3], 8, &request.sequence)) {
        return NULL;
    }
    request.argument_count = (uint8_t)(count - 5);
    request.arguments = &words[5];
    return judge(request_boot, find_verb(words[4]), &request);
}

void protocol_poll(void)
{
    uint8_t before = board_lock();
    bool waits = line.waits;
    char *text = line.text[line.gathering ^ 1];
    uint8_t length = line.waiting_length;
    board_unlock(before);
    if (!waits) {
        return;
    }
    const struct reply *reply = take_line(text, length);
    before = board_lock();
    line.waits = false;
    board_unlock(before);
    if (reply != NULL) {
        board_send(reply->text, reply->length);
    }
}

void protocol_boot(uint16_t boot_number)
{
    boot = boot_number;
    put_word(&passing, "note");
    put_hex(&passing, boot, 4);
    put_word(&passing, "boot");
    put_word(&passing, NAME);
    end_reply(&passing);
    board_send(passing.text, passing.length);
}
