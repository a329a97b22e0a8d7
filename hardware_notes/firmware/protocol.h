/* Bytes to lines, lines to requests, replies (the protocol page, sections 2 to 4 and 6). */
#ifndef PROTOCOL_H
#define PROTOCOL_H

#include <stdint.h>

/* Sends the boot notice. */
void protocol_boot(uint16_t boot_number);

/* From the receive interrupt. A byte that arrived damaged is passed as 0. */
void protocol_byte(uint8_t byte);

/* From the main loop: answers the line that waits, if any. */
void protocol_poll(void);

#endif
