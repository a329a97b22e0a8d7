#include "words.h"

#include <string.h>

uint16_t check_code(const char *text, uint8_t length)
{
    uint16_t crc = 0xFFFF; /* CRC-16, polynomial 0x1021 from 0xFFFF */
    while (length-- != 0) {
        crc ^= (uint16_t)((uint16_t)(uint8_t)*text++ << 8);
        for (uint8_t bit = 0; bit < 8; bit++) {
            crc = (uint16_t)(crc & 0x8000 ? (crc << 1) ^ 0x1021 : crc << 1);
        }
    }
    return crc;
}

static void put_char(struct reply *reply, char c)
{
    reply->text[reply->length++] = c;
}

void put_word(struct reply *reply, const char *word)
{
    if (reply->length != 0) {
        put_char(reply, ' ');
    }
    while (*word != '\0') {
        put_char(reply, *word++);
    }
}

void put_hex(struct reply *reply, uint32_t number, uint8_t digits)
{
    put_char(reply, ' ');
    while (digits-- != 0) {
        put_char(reply, "0123456789ABCDEF"[(number >> (4 * digits)) & 0xF]);
    }
}

void put_number(struct reply *reply, int64_t number)
{
    char digits[10];
    uint8_t count = 0;
    uint32_t rest = (uint32_t)(number < 0 ? -number : number);
    do {
        digits[count++] = (char)('0' + rest % 10);
        rest /= 10;
    } while (rest != 0);
    put_word(reply, number < 0 ? "-" : "");
    while (count != 0) {
        put_char(reply, digits[--count]);
    }
}

void end_reply(struct reply *reply)
{
    put_hex(reply, check_code(reply->text, reply->length), 4);
    put_char(reply, '\n');
}

bool read_hex(const char *word, uint8_t digits, uint32_t *number)
{
    *number = 0;
    while (digits-- != 0) {
        char c = *word++;
        uint8_t digit;
        if (c >= '0' && c <= '9') {
            digit = (uint8_t)(c - '0');
        } else if (c >= 'A' && c <= 'F') {
            digit = (uint8_t)(c - 'A' + 10);
        } else {
            return false;
        }
        *number = (*number << 4) | digit;
    }
    return *word == '\0';
}

bool read_number(const char *word, int64_t *number)
{
    bool negative = *word == '-';
    word += negative;
    if (*word == '0' && (negative || word[1] != '\0')) {
        return false;
    }
    uint8_t digits = 0;
    for (*number = 0; *word >= '0' && *word <= '9'; word++) {
        if (++digits > 10) {
            return false;
        }
        *number = *number * 10 + (*word - '0');
    }
    if (negative) {
        *number = -*number;
    }
    return digits != 0 && *word == '\0';
}

uint8_t split(char *text, char *words[WORDS_MAX])
{
    uint8_t count = 0;
    while (count < WORDS_MAX) {
        words[count++] = text;
        text = strchr(text, ' ');
        if (text == NULL) {
            break;
        }
        *text++ = '\0';
    }
    return count;
}
