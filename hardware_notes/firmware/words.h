/* Words, numbers and check codes, as the protocol page writes them (section 2). */
#ifndef WORDS_H
#define WORDS_H

#include <stdbool.h>
#include <stdint.h>

#define LINE_MAX 64 /* LF included */
#define WORDS_MAX 8 /* one more than any request has */

struct reply {
    char text[LINE_MAX];
    uint8_t length;
};

uint16_t check_code(const char *text, uint8_t length);

/* Each puts a space before, but not at the beginning of a reply. */
void put_word(struct reply *reply, const char *word);
void put_hex(struct reply *reply, uint32_t number, uint8_t digits);
void put_number(struct reply *reply, int64_t number);

/* Puts check code and LF. */
void end_reply(struct reply *reply);

/* False when the word is not exactly that many digits, or no number of the grammar. */
bool read_hex(const char *word, uint8_t digits, uint32_t *number);
bool read_number(const char *word, int64_t *number);

/* Splits in place, a zero byte for each space; a count of WORDS_MAX means that many or more. */
uint8_t split(char *text, char *words[WORDS_MAX]);

#endif
