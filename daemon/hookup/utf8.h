// SPDX-License-Identifier: Apache-2.0
/*
 * utf8.h - what is text. Internal to hookup.
 */
#ifndef CRANKTRAP_UTF8_H
#define CRANKTRAP_UTF8_H

#include <stddef.h>

/* Length of the UTF-8 character (RFC 3629) at text[0], of `count` >= 1 bytes; 0: it is none. */
size_t utf8_length(const char *text, size_t count);

/* Puts '?' for every byte that is no UTF-8 or a control character: fit for a terminal or JSON. */
void utf8_tame(char *text);

#endif
