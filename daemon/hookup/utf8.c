// SPDX-License-Identifier: Apache-2.0
/*
 * utf8.c - what is text.
 */
#include "utf8.h"

#include <string.h>

/* Length by the first byte; 0xc0, 0xc1 and those above 0xf4 begin nothing. */
static size_t length_by_first(unsigned char first) {
    if (first < 0x80)
        return 1;
    if (first < 0xc2)
        return 0;
    if (first < 0xe0)
        return 2;
    if (first < 0xf0)
        return 3;
    return first < 0xf5 ? 4 : 0;
}

size_t utf8_length(const char *text, size_t count) {
    const unsigned char *bytes = (const unsigned char *)text;
    size_t length = length_by_first(bytes[0]);
    if (length == 0 || length > count)
        return 0;
    for (size_t i = 1; i < length; i++)
        if ((bytes[i] & 0xc0) != 0x80)
            return 0;
    /* Overlong forms, surrogates, and beyond the last code point. */
    if ((bytes[0] == 0xe0 && bytes[1] < 0xa0) || (bytes[0] == 0xed && bytes[1] > 0x9f) ||
        (bytes[0] == 0xf0 && bytes[1] < 0x90) || (bytes[0] == 0xf4 && bytes[1] > 0x8f))
        return 0;
    return length;
}

void utf8_tame(char *text) {
    size_t count = strlen(text);
    for (size_t at = 0; at < count;) {
        size_t length = utf8_length(text + at, count - at);
        unsigned char byte = (unsigned char)text[at];
        if (length == 0 || byte < 0x20 || byte == 0x7f) {
            text[at] = '?';
            length = 1;
        }
        at += length;
    }
}
