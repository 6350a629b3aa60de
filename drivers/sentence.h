// SPDX-License-Identifier: Apache-2.0
/*
 * sentence.h - what a driver says of a wrong setting or a failure, to the board's owner.
 */
#ifndef CRANKTRAP_SENTENCE_H
#define CRANKTRAP_SENTENCE_H

#include <stddef.h>

/* As snprintf() into `text` of `size` bytes, cut where it is too long; nothing where `text` is NULL
 * or `size` 0. Returns -EINVAL, the error that most such sentences go with. */
__attribute__((format(printf, 3, 4))) int sentence(char *text, size_t size, const char *format,
                                                   ...);

#endif
