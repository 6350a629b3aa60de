// SPDX-License-Identifier: Apache-2.0
#include "say.h"

#include <stdarg.h>
#include <stdio.h>

/* The text of a line, then the line. `line` has everything but the text. */
__attribute__((format(printf, 2, 0))) static void say_line(struct journal_line line,
                                                           const char *format, va_list arguments) {
    char text[1024];
    vsnprintf(text, sizeof text, format, arguments);
    line.text = text;
    journal_write(&line);
}

void say(const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    say_line((struct journal_line){.priority = JOURNAL_NOTICE}, format, arguments);
    va_end(arguments);
}

void warn(const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    say_line((struct journal_line){.priority = JOURNAL_WARNING}, format, arguments);
    va_end(arguments);
}

void fail(const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    say_line((struct journal_line){.priority = JOURNAL_ERROR}, format, arguments);
    va_end(arguments);
}

void tell(struct journal_line line, const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    say_line(line, format, arguments);
    va_end(arguments);
}
