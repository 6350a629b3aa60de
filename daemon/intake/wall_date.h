// SPDX-License-Identifier: Apache-2.0
/*
 * wall_date.h - a date as people write it, to wall time. Internal to daemon/intake.
 */
#ifndef CRANKTRAP_WALL_DATE_H
#define CRANKTRAP_WALL_DATE_H

#include <stdint.h>

/*
 * Parses ISO 8601 "2026-01-12T17:30:00", also without seconds or without a time; a space may stand
 * for the T. Local time, unless "Z" or "+01:00" follows. 0 and nanoseconds since 1970, or -EINVAL.
 */
int wall_date_parse(const char *text, int64_t *wall_ns);

#endif
