// SPDX-License-Identifier: Apache-2.0
/*
 * print.c - numbers as a person reads them; a progress line that is nothing in a pipe.
 */
#include "print.h"

#include "command.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

const char *print_bytes(double bytes, char *text, size_t size) {
    static const char *const units[] = {"bytes", "kB", "MB", "GB", "TB"};
    size_t unit = 0;
    while (bytes >= 1000 && unit < 4) {
        bytes /= 1000;
        unit++;
    }
    snprintf(text, size, unit && bytes < 10 ? "%.1f %s" : "%.0f %s", bytes, units[unit]);
    return text;
}

const char *print_duration(double seconds, char *text, size_t size) {
    if (!isfinite(seconds))
        snprintf(text, size, "unknown");
    else if (seconds < 10)
        snprintf(text, size, "%.2g s", seconds);
    else if (seconds < 120)
        snprintf(text, size, "%.0f s", seconds);
    else if (seconds < 7200)
        snprintf(text, size, "%.0f min", seconds / 60);
    else
        snprintf(text, size, "%.0f h %02.0f min", floor(seconds / 3600),
                 floor(fmod(seconds, 3600) / 60));
    return text;
}

const char *print_count(double count, char *text, size_t size) {
    char digits[32];
    snprintf(digits, sizeof digits, "%.0f", count);
    size_t length = strlen(digits);
    size_t used = 0;
    for (size_t i = 0; i < length && used + 2 < size; i++) {
        if (i && (length - i) % 3 == 0 && digits[i - 1] != '-')
            text[used++] = ' ';
        text[used++] = digits[i];
    }
    text[used] = '\0';
    return text;
}

static bool progress_shown;

void print_progress(void *context, double share) {
    static int last = -1;
    int percent = (int)(share * 100);
    if (percent == last || !isatty(STDERR_FILENO))
        return;
    last = percent;
    progress_shown = true;
    fprintf(stderr, "\r%s: %3d %%", (const char *)context, percent);
    fflush(stderr);
}

void print_progress_done(void) {
    if (progress_shown)
        fputs("\r\033[K", stderr);
    progress_shown = false;
}

unsigned print_width(FILE *stream) {
    struct winsize window;
    if (isatty(fileno(stream)) && ioctl(fileno(stream), TIOCGWINSZ, &window) == 0 &&
        window.ws_col >= 60 && window.ws_col < 80)
        return window.ws_col;
    return 80;
}

int print_json(json_t *json) {
    int result = json ? json_dumpf(json, stdout, JSON_COMPACT | JSON_REAL_PRECISION(12)) : -1;
    json_decref(json);
    if (result == 0)
        putchar('\n');
    return result == 0 && fflush(stdout) == 0 ? COMMAND_DONE : COMMAND_COULD_NOT;
}

double print_read_seconds(const char *text) {
    static const struct {
        const char *unit;
        double seconds;
    } units[] = {{"", 1}, {"s", 1}, {"ms", 1e-3}, {"us", 1e-6}, {"min", 60}, {"h", 3600}};
    char *end;
    double value = strtod(text, &end);
    if (end == text || !isfinite(value) || value < 0)
        return -1;
    while (*end == ' ')
        end++;
    for (size_t i = 0; i < sizeof units / sizeof *units; i++)
        if (strcmp(end, units[i].unit) == 0)
            return value * units[i].seconds;
    return -1;
}
