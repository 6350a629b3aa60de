// SPDX-License-Identifier: Apache-2.0
/*
 * sentence.c - what a driver says to the board's owner.
 */
#include "sentence.h"

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>

int sentence(char *text, size_t size, const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    if (text && size)
        (void)vsnprintf(text, size, format, arguments);
    va_end(arguments);
    return -EINVAL;
}
