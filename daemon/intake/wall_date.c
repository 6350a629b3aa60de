// SPDX-License-Identifier: Apache-2.0
/*
 * wall_date.c - ISO 8601 dates to nanoseconds since 1970.
 */
#include "wall_date.h"

#include <errno.h>
#include <stdbool.h>
#include <time.h>

/* Reads exactly `digits` digits into `*value`; false and nothing moved where there are fewer. */
static bool take_number(const char **text, int digits, int *value) {
    int number = 0;
    for (int i = 0; i < digits; i++) {
        char digit = (*text)[i];
        if (digit < '0' || digit > '9')
            return false;
        number = number * 10 + (digit - '0');
    }
    *text += digits;
    *value = number;
    return true;
}

static bool take(const char **text, char wanted) {
    if (**text != wanted)
        return false;
    ++*text;
    return true;
}

/* "hh:mm" and, where they follow, ":ss" and a fraction that is passed over. */
static bool take_time(const char **text, struct tm *date) {
    if (!take_number(text, 2, &date->tm_hour) || !take(text, ':') ||
        !take_number(text, 2, &date->tm_min))
        return false;
    if (take(text, ':') && !take_number(text, 2, &date->tm_sec))
        return false;
    int digit;
    if (take(text, '.'))
        while (take_number(text, 1, &digit))
            ;
    return date->tm_hour < 24 && date->tm_min < 60 && date->tm_sec < 61;
}

/* "Z", "+hh:mm", "-hh:mm" or nothing. */
static bool take_zone(const char **text, bool *local, int *east_s) {
    int hours, minutes, sign = **text == '-' ? -1 : 1;
    *local = false;
    *east_s = 0;
    if (take(text, 'Z'))
        return true;
    if (take(text, '+') || take(text, '-')) {
        if (!take_number(text, 2, &hours) || !take(text, ':') || !take_number(text, 2, &minutes))
            return false;
        *east_s = sign * (hours * 3600 + minutes * 60);
        return hours < 24 && minutes < 60;
    }
    *local = true;
    return true;
}

int wall_date_parse(const char *text, int64_t *wall_ns) {
    struct tm date = {.tm_isdst = -1};
    bool local = true;
    int east_s = 0;
    if (!take_number(&text, 4, &date.tm_year) || !take(&text, '-') ||
        !take_number(&text, 2, &date.tm_mon) || !take(&text, '-') ||
        !take_number(&text, 2, &date.tm_mday))
        return -EINVAL;
    if ((take(&text, 'T') || take(&text, ' ')) &&
        (!take_time(&text, &date) || !take_zone(&text, &local, &east_s)))
        return -EINVAL;
    if (*text != '\0' || date.tm_year < 1970)
        return -EINVAL;

    date.tm_year -= 1900;
    date.tm_mon -= 1;
    struct tm normal = date; /* the library moves 31 February on: seen by the day */
    time_t seconds = local ? mktime(&normal) : timegm(&normal);
    if (normal.tm_mon != date.tm_mon || normal.tm_mday != date.tm_mday)
        return -EINVAL;
    *wall_ns = ((int64_t)seconds - east_s) * 1000000000;
    return 0;
}
