// SPDX-License-Identifier: Apache-2.0
/*
 * board_file_requests.c - what a board file has sent to its board, and lists of bytes.
 */
#include "board_file_part.h"

#include <ctype.h>
#include <stdlib.h>
#include <string.h>

#define SEPARATORS " \t"

/* One number in hexadecimal of at most `digits` digits, with or without 0x. */
static bool read_hex(const char *word, size_t length, size_t digits, unsigned long *value) {
    if (length > 2 && word[0] == '0' && (word[1] == 'x' || word[1] == 'X')) {
        word += 2;
        length -= 2;
    }
    if (length < 1 || length > digits)
        return false;
    *value = 0;
    for (size_t i = 0; i < length; i++) {
        if (!isxdigit((unsigned char)word[i]))
            return false;
        int letter = tolower((unsigned char)word[i]);
        *value = *value * 16 + (unsigned long)(isdigit(letter) ? letter - '0' : letter - 'a' + 10);
    }
    return true;
}

/* The next word of `*text`; its length, 0 at the end. `*text` moves behind it. */
static size_t next_word(const char **text, const char **word) {
    *word = *text + strspn(*text, SEPARATORS);
    size_t length = strcspn(*word, SEPARATORS);
    *text = *word + length;
    return length;
}

int board_file_hex(struct reading *reading, const struct document_section *section,
                   const struct document_entry *entry, const char *text, uint8_t *bytes,
                   size_t size) {
    size_t count = 0;
    const char *word;
    for (size_t length; (length = next_word(&text, &word)) > 0; count++) {
        unsigned long value;
        if (!read_hex(word, length, 2, &value)) {
            reading_problem(reading, section, entry,
                            "'%.*s' is no byte: two hexadecimal digits each, a space between",
                            (int)(length > 20 ? 20 : length), word);
            return -1;
        }
        if (count == size) {
            reading_problem(reading, section, entry, "at most %zu bytes", size);
            return -1;
        }
        bytes[count] = (uint8_t)value;
    }
    return (int)count;
}

static bool read_control(struct reading *reading, const struct document_section *section,
                         const struct document_entry *entry, const char **text,
                         struct board_request *request) {
    static const size_t digits[] = {2, 2, 4, 4};
    unsigned long number[4];
    for (size_t i = 0; i < 4; i++) {
        const char *word;
        size_t length = next_word(text, &word);
        if (!length || !read_hex(word, length, digits[i], &number[i])) {
            reading_problem(reading, section, entry,
                            "after control come type, request, value and index in hexadecimal "
                            "(such as 40 01 0000 0000), then bytes to send with it");
            return false;
        }
    }
    if (number[0] & 0x80) {
        reading_problem(reading, section, entry,
                        "a request of type %02lx asks the board to answer: only requests towards "
                        "it can be sent",
                        number[0]);
        return false;
    }
    request->control = true;
    request->type = (uint8_t)number[0];
    request->request = (uint8_t)number[1];
    request->value = (uint16_t)number[2];
    request->index = (uint16_t)number[3];
    return true;
}

/* All that follows, and a line feed. */
static bool read_command(struct reading *reading, const struct document_section *section,
                         const struct document_entry *entry, const char *text,
                         struct board_request *request) {
    text += strspn(text, SEPARATORS);
    size_t length = strlen(text);
    while (length && strchr(SEPARATORS, text[length - 1]))
        length--;
    if (!length || length >= sizeof request->data) {
        reading_problem(reading, section, entry, "a text has 1 to %zu characters",
                        sizeof request->data - 1);
        return false;
    }
    memcpy(request->data, text, length);
    request->data[length] = '\n';
    request->count = length + 1;
    request->text = true;
    return true;
}

static bool read_request(struct reading *reading, const struct document_section *section,
                         const struct document_entry *entry, const char *text,
                         struct board_request *request) {
    const char *word;
    size_t length = next_word(&text, &word);
    if (length == 4 && memcmp(word, "text", length) == 0)
        return read_command(reading, section, entry, text, request);
    if (length == 7 && memcmp(word, "control", length) == 0) {
        if (!read_control(reading, section, entry, &text, request))
            return false;
    } else if (length != 5 || memcmp(word, "bytes", length) != 0) {
        reading_problem(reading, section, entry,
                        "a request begins with control, bytes or text; several stand with commas "
                        "between them");
        return false;
    }
    int count = board_file_hex(reading, section, entry, text, request->data, sizeof request->data);
    if (count == 0 && !request->control)
        reading_problem(reading, section, entry, "which bytes? Such as: bytes 53 0a");
    request->count = count > 0 ? (size_t)count : 0;
    return count > 0 || (count == 0 && request->control);
}

/* All of them go into one piece of bytes where the line carries them. */
static void check_room(struct reading *reading, const struct document_section *section,
                       const struct document_entry *entry, const struct board_requests *requests) {
    size_t count = 0;
    for (size_t i = 0; i < requests->count; i++)
        count += requests->request[i].control ? 0 : requests->request[i].count;
    if (count > BOARD_BYTES_MAX)
        reading_problem(reading, section, entry, "at most %d bytes in all", BOARD_BYTES_MAX);
}

void board_file_requests(struct reading *reading, const struct document_section *section,
                         const char *key, struct board_requests *requests) {
    const struct document_entry *entry = reading_entry(reading, section, key);
    char *list = entry ? arena_text(reading->arena, entry->value, strlen(entry->value)) : NULL;
    if (entry && !list)
        reading->out_of_memory = true;
    for (char *rest = list, *one; list && (one = strsep(&rest, ","));) {
        if (requests->count == BOARD_REQUESTS_MAX) {
            reading_problem(reading, section, entry, "at most %d requests", BOARD_REQUESTS_MAX);
            return;
        }
        struct board_request *request = &requests->request[requests->count];
        *request = (struct board_request){0};
        if (!read_request(reading, section, entry, one, request))
            return;
        requests->count++;
    }
    if (entry)
        check_room(reading, section, entry, requests);
}
