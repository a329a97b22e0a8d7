/* The thin layer of registers: ATmega328P at 16 MHz and 5 V. Pins: hardware_notes/wiring.md.
 * Timer 1 times the pulses, timer 2 gives the tick. The inputs have a port of their own. */
#include <avr/eeprom.h>
#include <avr/fuse.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "board.h"
#include "config.h"
#include "inputs.h"
#include "motion.h"
#include "protocol.h"
#include "rail.h"

#ifndef F_CPU
#define F_CPU 16000000UL
#endif

/* External crystal with the slow start, EEPROM kept when the program is replaced, no boot loader; reset below 4.3 V,
 * since this clock needs 3.8 V (data sheet, speed grades) and a weak supply must not run the program wild. */
FUSES = {.low = 0xFF, .high = 0xD1, .extended = 0xFC};

#define STEP (1 << PD5)
#define DIRECTION (1 << PD6)
#define ENABLE (1 << PD7) /* low: the motor is held. An external pull-down keeps it so in a reset. */
#define SHUTTER (1 << PB0)
#define FOCUS (1 << PB1)
#define LOW_SWITCH (1 << PC0)
#define HIGH_SWITCH (1 << PC1)
#define SUPPLY_SENSE (1 << PC2) /* measured, not read */
#define SYNC (1 << PC3)

/* The divisor, rounded. 115200 baud comes out 2.1 % fast, which the data sheet's recommended 1.5 % for double speed
 * does not cover (its largest is 3.9 %; from memory) and most adapters bear; 57600 is 0.8 % off, 250000 exact. */
#define BAUD_DIVISOR ((F_CPU / 4 / BAUD_RATE - 1) / 2)
#define REAL_BAUD_RATE (F_CPU / 8 / (BAUD_DIVISOR + 1))
_Static_assert(1000 * REAL_BAUD_RATE < 1022 * BAUD_RATE && 1000 * REAL_BAUD_RATE > 978 * BAUD_RATE, "baud rate");
_Static_assert(F_CPU / 8 == TIMER_HZ, "timer 1 runs at an eighth of the clock");

/* Eight bits of A2 against the chip's own 5 V. */
#define SUPPLY_LEAST ((uint8_t)(SUPPLY_AT_A2_MV * SUPPLY_LEAST_PERCENT / 100 * 256 / 5000))

/* Both interrupts must be alive for the watchdog to be fed. */
#define ALIVE_TICK 0x01
#define ALIVE_STEP 0x02
static volatile uint8_t alive;

static uint32_t ticks_to_wait; /* beyond the compare that is set */

/* A stuck program is a reset, and the first thing after a reset is to keep the watchdog from biting again too soon. */
void watchdog_first(void) __attribute__((naked, used, section(".init3")));
void watchdog_first(void)
{
    MCUSR = 0;
    wdt_enable(WDTO_500MS);
}

uint8_t board_lock(void)
{
    uint8_t before = SREG;
    cli();
    return before;
}

void board_unlock(uint8_t before)
{
    __asm__ volatile("" ::: "memory");
    SREG = before;
}

/* Sets the compare that comes `ticks_to_wait` after `from`, or half way when that is beyond 16 bits. */
static void set_compare(uint16_t from)
{
    uint16_t part = ticks_to_wait > 0xFFFF ? 0x8000 : (uint16_t)ticks_to_wait;
    ticks_to_wait -= part;
    uint16_t due = from + part;
    /* A compare already past would come 33 ms late: better a few microseconds. */
    if ((uint16_t)(due - from) <= (uint16_t)(TCNT1 - from) + 4) {
        due = TCNT1 + 8;
    }
    OCR1A = due;
}

void board_pulses_start(uint32_t ticks)
{
    ticks_to_wait = ticks;
    set_compare(TCNT1);
    TIFR1 = 1 << OCF1A;
    TIMSK1 = 1 << OCIE1A;
}

void board_pulses_next(uint32_t ticks)
{
    ticks_to_wait = ticks;
    set_compare(OCR1A);
}

void board_pulses_end(void)
{
    TIMSK1 = 0;
    TIFR1 = 1 << OCF1A;
}

ISR(TIMER1_COMPA_vect)
{
    alive |= ALIVE_STEP;
    if (ticks_to_wait != 0) {
        set_compare(OCR1A);
        return;
    }
    PORTD |= STEP;
    motion_step(); /* takes longer than the 2 us for which common drivers want the pulse to last */
    PORTD &= (uint8_t)~STEP;
}

ISR(TIMER2_COMPA_vect)
{
    uint8_t pins = PINC;
    uint8_t inputs = 0;
    alive |= ALIVE_TICK;
    if (pins & LOW_SWITCH) {
        inputs |= INPUT_LOW_OPEN;
    }
    if (pins & HIGH_SWITCH) {
        inputs |= INPUT_HIGH_OPEN;
    }
    if (ADCH >= SUPPLY_LEAST) {
        inputs |= INPUT_SUPPLY_ON;
    }
    if (!(pins & SYNC)) {
        inputs |= INPUT_SYNC_CLOSED;
    }
    rail_tick(inputs);
}

ISR(USART_RX_vect)
{
    uint8_t status = UCSR0A;
    uint8_t byte = UDR0;
    if (status & (1 << DOR0)) {
        protocol_byte(0); /* one before this was lost */
    }
    protocol_byte(status & (1 << FE0) ? 0 : byte);
}

static void set_pin(volatile uint8_t *port, uint8_t pin, bool high)
{
    uint8_t before = board_lock();
    *port = high ? *port | pin : *port & (uint8_t)~pin;
    board_unlock(before);
}

void board_direction(bool positive)
{
    set_pin(&PORTD, DIRECTION, positive == (POSITIVE_DIRECTION_LEVEL == 1));
}

void board_hold(bool held)
{
    set_pin(&PORTD, ENABLE, !held);
}

void board_shutter(bool closed)
{
    set_pin(&PORTB, SHUTTER, closed);
}

void board_focus(bool closed)
{
    set_pin(&PORTB, FOCUS, closed);
}

static void feed_watchdog(void)
{
    uint8_t before = board_lock();
    uint8_t needed = !motion_at_rest() ? ALIVE_TICK | ALIVE_STEP : ALIVE_TICK;
    if ((alive & needed) == needed) {
        wdt_reset();
        alive = 0;
    }
    board_unlock(before);
}

void board_send(const char *bytes, uint8_t count)
{
    while (count-- != 0) {
        while (!(UCSR0A & (1 << UDRE0))) {
            feed_watchdog();
        }
        UDR0 = (uint8_t)*bytes++;
    }
}

/* The boot number has two places in the EEPROM that take turns, each with its complement: power lost while one is
 * written leaves the other, so that no number comes twice. */
static uint16_t count_boot(void)
{
    static uint16_t EEMEM places[2][2];
    uint16_t stored[2][2];
    eeprom_read_block(stored, places, sizeof stored);
    bool valid[2];
    for (uint8_t i = 0; i < 2; i++) {
        valid[i] = stored[i][0] != 0 && (uint16_t)~stored[i][0] == stored[i][1];
    }
    /* The newer of two is the one that is ahead of the other in the circle of 16 bits. */
    uint8_t newest = !valid[0] || (valid[1] && (int16_t)(stored[1][0] - stored[0][0]) > 0);
    uint16_t number = valid[newest] ? stored[newest][0] + 1 : 1;
    if (number == 0) {
        number = 1;
    }
    uint16_t record[2] = {number, (uint16_t)~number};
    eeprom_update_block(record, places[!newest], sizeof record);
    return number;
}

int main(void)
{
    PORTC = LOW_SWITCH | HIGH_SWITCH | SYNC; /* pull-ups; the supply's divider pulls its own pin down */
    DDRD = STEP | DIRECTION | ENABLE;
    DDRB = SHUTTER | FOCUS;
    rail_boot();

    TCCR1B = 1 << CS11; /* runs freely at F_CPU / 8 */
    TCCR2A = 1 << WGM21;
    OCR2A = F_CPU / 8 / TICK_HZ - 1;
    TIMSK2 = 1 << OCIE2A;
    TCCR2B = 1 << CS21;

    /* A2 is measured again and again by itself, at 125 kHz every 0.104 ms: about once a tick. */
    DIDR0 = SUPPLY_SENSE;
    ADMUX = (1 << REFS0) | (1 << ADLAR) | (1 << MUX1);
    ADCSRA = (1 << ADEN) | (1 << ADSC) | (1 << ADATE) | (1 << ADPS2) | (1 << ADPS1) | (1 << ADPS0);

    UCSR0A = 1 << U2X0; /* before the divisor: the simulator looks at it then */
    UBRR0 = BAUD_DIVISOR;
    UCSR0C = (1 << UCSZ01) | (1 << UCSZ00);

    uint16_t boot = count_boot();
    sei();
    while (inputs_settle()) {
        feed_watchdog();
    }
    UCSR0B = (1 << RXEN0) | (1 << TXEN0) | (1 << RXCIE0);
    protocol_boot(boot);
    for (;;) {
        protocol_poll();
        feed_watchdog();
        sleep_mode(); /* until the next interrupt, a tenth of a millisecond at most */
    }
}
