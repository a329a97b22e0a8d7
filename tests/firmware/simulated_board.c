/* The reference controller's board in a simulator: the compiled firmware on a simulated ATmega328P, its serial port on
 * a pseudo-terminal, a rail with limit switches on its motor outputs, a camera on its contacts.
 *
 *     simulated_board FIRMWARE.elf
 *
 * Prints `pty PATH` once the firmware listens. Commands come on standard input, one a line, each answered with `ok`
 * (`log` and `stats` with lines before it):
 *
 *     pace F             simulated seconds a second; 0: as fast as it goes
 *     carriage P L H     the carriage is at P [microsteps]; the low switch opens at L and below, the high one at H and
 *                        above
 *     wire low|high cut|whole        a switch's wire
 *     supply on|gone|MV  motor supply: 12 V, nothing, or so many millivolts, over the divider of config.h as it is shipped
 *     camera D W         closes the sync contact D us after the shutter contact closes, for W us; W 0: never
 *     sync open|closed   the sync contact by hand
 *     inject N BYTE      puts a byte (hex) on the line at pulse N, counted from the start
 *     blink N M          the high switch opens at pulse N for M pulses
 *     gone_at N          the motor supply goes at pulse N
 *     reset US           resets now, and once more US later if that is not 0
 *     hang               the main loop stands still from here on, interrupts go on
 *     mute step|tick     that interrupt comes no more
 *     log                what happened since the last `log`: CYCLE WHAT VALUE
 *     stats              cycle: now; lag: behind real time [s]; carriage; wait: longest of a received byte for its
 *                        interrupt; pulse: the shortest; step, tick: longest run of these interrupts [cycles];
 *                        stack: its greatest depth [bytes]
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <avr_adc.h>
#include <avr_ioport.h>
#include <avr_uart.h>
#include <sim_avr.h>
#include <sim_elf.h>
#include <sim_interrupts.h>

#define HZ 16000000ULL
#define CYCLES_PER_US (HZ / 1000000)
#define BYTE_CYCLES (HZ * 10 / 115200) /* the line brings no byte sooner after another */
#define SLICE_CYCLES 3200              /* how often the outside world is looked at */
#define RECEIVE_VECTOR 18              /* data sheet, interrupt vectors of the ATmega328P, counted from 0 */
#define STEP_VECTOR 11
#define TICK_VECTOR 7
#define RAM_START 0x100
#define TIMSK1_ADDRESS 0x6F            /* TIMSK2 follows it */
#define NEVER (-1)

#define SUPPLY_MV 12000

enum { LOW_PIN, HIGH_PIN, SYNC_PIN = 3 };

struct event {
    uint64_t cycle;
    const char *what;
    long value;
};

static avr_t *avr;
static avr_irq_t *receive;
static FILE *control;
static int pty;

static struct event *events;
static size_t event_count, event_room;

static bool inputs[4]; /* levels at the pins */
static bool wire_cut[2], sync_closed;
static long supply_mv = SUPPLY_MV;
static long carriage, low_at = -1000000000, high_at = 1000000000;
static bool direction_level;
static long pulse_count;
static uint64_t pulse_began, shortest_pulse = UINT64_MAX;

static uint64_t sync_delay, sync_width;
static long inject_at = NEVER, gone_at = NEVER, blink_from = NEVER, blink_to = NEVER;
static uint8_t inject_byte;

static struct duration { uint64_t began, longest; } step_duration, tick_duration;
static uint64_t byte_pending, longest_wait;
static bool receiver_on;

static uint16_t variables_end; /* data and bss end here, the stack grows toward it */

static double pace = 1.0, lag;
static uint64_t paced_from_cycle;
static double paced_from_s;

static void record(const char *what, long value)
{
    if (event_count == event_room) {
        event_room = event_room ? 2 * event_room : 4096;
        events = realloc(events, event_room * sizeof *events);
    }
    events[event_count++] = (struct event){avr->cycle, what, value};
}

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void sleep_s(double s)
{
    struct timespec t = {(time_t)s, (long)((s - (double)(time_t)s) * 1e9)};
    nanosleep(&t, NULL);
}

/* --- The pins --- */

static void apply_inputs(bool after_reset)
{
    bool wanted[4] = {
        [LOW_PIN] = wire_cut[0] || carriage <= low_at,
        [HIGH_PIN] = wire_cut[1] || carriage >= high_at,
        [SYNC_PIN] = !sync_closed,
    };
    avr_ioport_external_t external = {.name = 'C', .mask = 0x0B, .value = 0};
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC2), (uint32_t)(supply_mv * 10 / 32)); /* 10 of 32 kilohm */
    for (int pin = 0; pin < 4; pin++) {
        external.value |= (unsigned)wanted[pin] << pin;
    }
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('C'), &external);
    for (int pin = 0; pin < 4; pin++) {
        avr_irq_t *irq = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('C'), pin);
        if (after_reset) {
            avr_raise_irq(irq, !wanted[pin]); /* the simulator passes changes only */
        }
        if (after_reset || wanted[pin] != inputs[pin]) {
            avr_raise_irq(irq, wanted[pin]);
            inputs[pin] = wanted[pin];
        }
    }
}

static void on_step(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    if (!value && pulse_count == 0) {
        return; /* the pin becomes an output */
    }
    if (!value) {
        uint64_t width = avr->cycle - pulse_began;
        shortest_pulse = width < shortest_pulse ? width : shortest_pulse;
        return;
    }
    pulse_began = avr->cycle;
    pulse_count++;
    carriage += direction_level ? 1 : -1;
    record("step", carriage);
    if (pulse_count == gone_at) {
        supply_mv = 0;
    }
    if (pulse_count == blink_from || pulse_count == blink_to) {
        wire_cut[1] = pulse_count == blink_from;
    }
    if (pulse_count == inject_at) {
        record("injected", inject_byte);
        avr_raise_irq(receive, inject_byte);
    }
    apply_inputs(false);
}

static void on_direction(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    direction_level = value;
    record("direction", value);
}

static avr_cycle_count_t sync_opens(avr_t *a, avr_cycle_count_t when, void *param)
{
    (void)a, (void)when, (void)param;
    sync_closed = false;
    apply_inputs(false);
    return 0;
}

static avr_cycle_count_t sync_closes(avr_t *a, avr_cycle_count_t when, void *param)
{
    (void)a, (void)when, (void)param;
    sync_closed = true;
    apply_inputs(false);
    avr_cycle_timer_register(avr, sync_width * CYCLES_PER_US, sync_opens, NULL);
    return 0;
}

static void on_contact(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    record(param, value);
    if (value && strcmp(param, "shutter") == 0 && sync_width) {
        avr_cycle_timer_register(avr, sync_delay * CYCLES_PER_US + 1, sync_closes, NULL);
    }
}

/* --- The line --- */

static void on_receive_pending(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    if (value) {
        byte_pending = avr->cycle;
    }
}

static void on_receive_running(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    if (value && byte_pending) {
        uint64_t wait = avr->cycle - byte_pending;
        longest_wait = wait > longest_wait ? wait : longest_wait;
        byte_pending = 0;
    }
}

/* Longest run of an interrupt; it is told the depth of nesting, 0 when all have returned. */
static void on_interrupt(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    struct duration *duration = param;
    if (value) {
        duration->began = avr->cycle;
    } else if (avr->cycle - duration->began > duration->longest) {
        duration->longest = avr->cycle - duration->began;
    }
}

static void on_sent(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    uint8_t byte = (uint8_t)value;
    receiver_on = true;
    if (write(pty, &byte, 1) != 1) {
        record("unread", byte); /* nobody reads and the terminal is full: as on a real line, gone */
    }
}

static avr_cycle_count_t next_byte(avr_t *a, avr_cycle_count_t when, void *param)
{
    (void)a, (void)param;
    uint8_t byte;
    if (receiver_on && read(pty, &byte, 1) == 1) {
        if (byte > 0x7F) {
            record("received", byte);
        }
        avr_raise_irq(receive, byte);
        return when + BYTE_CYCLES;
    }
    return when + SLICE_CYCLES;
}

static int open_pty(char *name, size_t room)
{
    int master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (master < 0 || grantpt(master) || unlockpt(master) || ptsname_r(master, name, room)) {
        perror("pty");
        exit(1);
    }
    int slave = open(name, O_RDWR | O_NOCTTY); /* held open: a host that leaves is no hang-up */
    struct termios raw;
    tcgetattr(slave, &raw);
    cfmakeraw(&raw);
    tcsetattr(slave, TCSANOW, &raw);
    return master;
}

/* --- Commands --- */

static bool reset_wanted, was_reset;
static uint64_t reset_again_us;
static void (*part_reset)(avr_t *a);

/* Any reset, also the watchdog's, passes here. */
static void on_reset(avr_t *a)
{
    part_reset(a);
    was_reset = true;
}

static avr_cycle_count_t reset_again(avr_t *a, avr_cycle_count_t when, void *param)
{
    (void)a, (void)when, (void)param;
    reset_wanted = true; /* not from inside the simulator's own timers */
    return 0;
}

/* The run-time library ends every program with a jump to itself. */
static void hang(void)
{
    for (uint32_t at = 0; at + 1 < avr->codeend; at += 2) {
        if (avr->flash[at] == 0xFF && avr->flash[at + 1] == 0xCF) {
            avr->pc = at;
            avr->state = cpu_Running;
            return;
        }
    }
    fprintf(control, "no jump to itself found\n");
}

static void after_reset(void)
{
    record("reset", 0);
    receiver_on = false;
    byte_pending = 0;
    apply_inputs(true);
    avr_cycle_timer_register(avr, BYTE_CYCLES, next_byte, NULL);
    if (reset_again_us) {
        avr_cycle_timer_register(avr, reset_again_us * CYCLES_PER_US, reset_again, NULL);
        reset_again_us = 0;
    }
}

static void print_log(void)
{
    for (size_t i = 0; i < event_count; i++) {
        fprintf(control, "%llu %s %ld\n", (unsigned long long)events[i].cycle, events[i].what, events[i].value);
    }
    event_count = 0;
}

/* The deepest byte that the stack has written, by the zeros that it left. */
static unsigned stack_bytes(void)
{
    uint16_t at = variables_end;
    while (at < avr->ramend && avr->data[at] == 0) {
        at++;
    }
    return avr->ramend + 1U - at;
}

static void print_stats(void)
{
    fprintf(control, "cycle %llu\nlag %.3f\ncarriage %ld\n", (unsigned long long)avr->cycle, lag, carriage);
    fprintf(control, "wait %llu\npulse %llu\n", (unsigned long long)longest_wait, (unsigned long long)shortest_pulse);
    fprintf(control, "stack %u\n", stack_bytes());
    fprintf(control, "step %llu\ntick %llu\n", (unsigned long long)step_duration.longest,
            (unsigned long long)tick_duration.longest);
}

static void start_pace(double factor)
{
    pace = factor;
    paced_from_cycle = avr->cycle;
    paced_from_s = now_s();
}

static void obey(const char *text)
{
    char a[16] = "", b[16] = "";
    double factor;
    unsigned long u, w;
    long p, l, h;
    unsigned byte;
    if (sscanf(text, "pace %lf", &factor) == 1) {
        start_pace(factor);
    } else if (sscanf(text, "carriage %ld %ld %ld", &p, &l, &h) == 3) {
        carriage = p, low_at = l, high_at = h;
    } else if (sscanf(text, "wire %15s %15s", a, b) == 2) {
        wire_cut[strcmp(a, "high") == 0] = strcmp(b, "cut") == 0;
    } else if (sscanf(text, "supply %15s", a) == 1) {
        supply_mv = strcmp(a, "gone") == 0 ? 0 : strcmp(a, "on") == 0 ? SUPPLY_MV : atol(a);
    } else if (sscanf(text, "sync %15s", a) == 1) {
        sync_closed = strcmp(a, "closed") == 0;
    } else if (sscanf(text, "camera %lu %lu", &u, &w) == 2) {
        sync_delay = u, sync_width = w;
    } else if (sscanf(text, "inject %ld %x", &p, &byte) == 2) {
        inject_at = pulse_count + p, inject_byte = (uint8_t)byte;
    } else if (sscanf(text, "blink %ld %ld", &p, &l) == 2) {
        blink_from = pulse_count + p, blink_to = blink_from + l;
    } else if (sscanf(text, "gone_at %ld", &p) == 1) {
        gone_at = pulse_count + p;
    } else if (sscanf(text, "reset %lu", &u) == 1) {
        reset_again_us = u;
        reset_wanted = true;
    } else if (strcmp(text, "hang") == 0) {
        hang();
    } else if (strcmp(text, "mute step") == 0) {
        avr->data[TIMSK1_ADDRESS] = 0;
    } else if (strcmp(text, "mute tick") == 0) {
        avr->data[TIMSK1_ADDRESS + 1] = 0;
    } else if (strcmp(text, "log") == 0) {
        print_log();
    } else if (strcmp(text, "stats") == 0) {
        print_stats();
    } else {
        fprintf(control, "unknown: %s\n", text);
    }
    apply_inputs(false);
    fprintf(control, "ok\n");
    fflush(control);
}

static void read_commands(void)
{
    static char text[128];
    static size_t length;
    char c;
    ssize_t got;
    while ((got = read(STDIN_FILENO, &c, 1)) == 1) {
        if (c == '\n') {
            text[length] = '\0';
            length = 0;
            obey(text);
        } else if (length < sizeof text - 1) {
            text[length++] = c;
        }
    }
    if (got == 0) {
        exit(0); /* whoever started us is gone */
    }
}

static void keep_pace(void)
{
    if (pace <= 0) {
        return;
    }
    double ahead = (double)(avr->cycle - paced_from_cycle) / (double)HZ / pace - (now_s() - paced_from_s);
    if (ahead > 0.0005) {
        sleep_s(ahead);
    } else if (ahead < -0.02) {
        lag -= ahead; /* the computer was busy elsewhere: time starts anew from here */
        start_pace(pace);
    }
}

static void no_sleep(avr_t *a, avr_cycle_count_t cycles)
{
    (void)a, (void)cycles; /* keep_pace() does it */
}

static void no_log(avr_t *a, const int level, const char *format, va_list list)
{
    (void)a;
    if (level <= LOG_ERROR) {
        vfprintf(stderr, format, list);
    }
}

int main(int argc, char *argv[])
{
    char name[64];
    elf_firmware_t firmware = {0};
    if (argc != 2) {
        fprintf(stderr, "usage: simulated_board FIRMWARE.elf\n");
        return 2;
    }
    control = fdopen(dup(STDOUT_FILENO), "w"); /* the simulator's library writes to standard output */
    dup2(STDERR_FILENO, STDOUT_FILENO);
    avr_global_logger_set(no_log);
    if (elf_read_firmware(argv[1], &firmware)) {
        return 1;
    }
    variables_end = (uint16_t)(RAM_START + firmware.datasize + firmware.bsssize);
    avr = avr_make_mcu_by_name("atmega328p");
    avr_init(avr);
    avr->frequency = HZ;
    avr_load_firmware(avr, &firmware);
    avr->frequency = HZ;
    avr->vcc = avr->avcc = avr->aref = 5000;
    avr->sleep = no_sleep;
    pty = open_pty(name, sizeof name);
    fcntl(STDIN_FILENO, F_SETFL, O_NONBLOCK);

    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    receive = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_sent, NULL);
    avr_irq_t *vector = avr_get_interrupt_irq(avr, RECEIVE_VECTOR);
    avr_irq_register_notify(vector + AVR_INT_IRQ_PENDING, on_receive_pending, NULL);
    avr_irq_register_notify(vector + AVR_INT_IRQ_RUNNING, on_receive_running, NULL);
    vector = avr_get_interrupt_irq(avr, STEP_VECTOR);
    avr_irq_register_notify(vector + AVR_INT_IRQ_RUNNING, on_interrupt, &step_duration);
    vector = avr_get_interrupt_irq(avr, TICK_VECTOR);
    avr_irq_register_notify(vector + AVR_INT_IRQ_RUNNING, on_interrupt, &tick_duration);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 5), on_step, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 6), on_direction, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 7), on_contact, "enable");
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 0), on_contact, "shutter");
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 1), on_contact, "focus");

    part_reset = avr->reset;
    avr->reset = on_reset;
    after_reset();
    start_pace(pace);
    bool announced = false;
    uint64_t next_look = 0;
    for (;;) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) {
            fprintf(stderr, "the firmware crashed\n");
            return 1;
        }
        if (reset_wanted) {
            reset_wanted = false;
            avr_reset(avr);
        }
        if (was_reset) {
            was_reset = false;
            after_reset();
        }
        if (avr->cycle >= next_look) {
            next_look = avr->cycle + SLICE_CYCLES;
            if (receiver_on && !announced) {
                announced = true;
                fprintf(control, "pty %s\n", name);
                fflush(control);
            }
            read_commands();
            keep_pace();
        }
    }
}
