// SPDX-License-Identifier: Apache-2.0
/*
 * moment.c - dates and clock times by strptime, in local time.
 */
#include "moment.h"

#include "print.h"

#include <math.h>
#include <stddef.h>
#include <time.h>

static double local_seconds(struct tm *local) {
    local->tm_isdst = -1; /* as it was on that day */
    time_t seconds = mktime(local);
    return seconds == (time_t)-1 ? (double)NAN : (double)seconds;
}

double moment_read(const char *text, double now_s) {
    static const char *const dates[] = {"%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M",
                                        "%Y-%m-%d %H:%M", "%Y-%m-%d"};
    static const char *const clocks[] = {"%H:%M:%S", "%H:%M"};
    if (text[0] == '-') {
        double seconds = print_read_seconds(text + 1);
        return seconds < 0 ? (double)NAN : now_s - seconds;
    }
    for (size_t i = 0; i < sizeof dates / sizeof dates[0]; i++) {
        struct tm date = {0};
        const char *end = strptime(text, dates[i], &date);
        if (end && *end == '\0')
            return local_seconds(&date);
    }
    time_t now = (time_t)now_s;
    for (size_t i = 0; i < sizeof clocks / sizeof clocks[0]; i++) {
        struct tm clock;
        if (!localtime_r(&now, &clock))
            break;
        clock.tm_sec = 0;
        const char *end = strptime(text, clocks[i], &clock);
        if (end && *end == '\0')
            return local_seconds(&clock);
    }
    return (double)NAN;
}
