// SPDX-License-Identifier: Apache-2.0
/*
 * routes.c - the table of all requests.
 */
#include "routes.h"

#include <stdlib.h>
#include <string.h>

#define NUMBER_MAX 999999
#define HOOKUP_MAX 65536

static const struct route routes[] = {
    {"GET", "/", ROUTE_WHOLE, NULL, 0, get_front},
    {"GET", "/page/", ROUTE_NAME, NULL, 0, get_page_file},
    {"GET", "/v0/status", ROUTE_WHOLE, NULL, 0, get_status},
    {"GET", "/v0/now", ROUTE_WHOLE, NULL, 0, get_now},
    {"GET", "/v0/samples", ROUTE_WHOLE, NULL, 0, get_samples},
    {"POST", "/v0/calibration", ROUTE_WHOLE, NULL, 0, post_calibration},
    {"POST", "/v0/latch", ROUTE_WHOLE, NULL, 0, post_latch},
    {"POST", "/v0/keep", ROUTE_WHOLE, NULL, 0, post_keep},
    {"GET", "/v0/attempts", ROUTE_WHOLE, NULL, 0, get_attempts},
    {"GET", "/v0/night", ROUTE_WHOLE, NULL, 0, get_night},
    {"POST", "/v0/night", ROUTE_WHOLE, NULL, 0, post_night},
    {"GET", "/v0/snapshots/", ROUTE_NUMBER, "", 0, get_snapshot},
    {"POST", "/v0/snapshots/", ROUTE_NUMBER, "", 0, post_snapshot},
    {"DELETE", "/v0/snapshots/", ROUTE_NUMBER, "", 0, delete_snapshot},
    {"GET", "/v0/snapshots/", ROUTE_NUMBER, "/report", 0, get_report},
    {"GET", "/v0/snapshots/", ROUTE_NUMBER, "/compare", 0, get_comparison},
    {"GET", "/v0/snapshots/", ROUTE_NUMBER, "/draw", 0, get_snapshot_draw},
    {"GET", "/v0/snapshots/", ROUTE_NUMBER, "/file", 0, get_snapshot_file},
    {"GET", "/v0/live", ROUTE_WHOLE, NULL, 0, get_live},
    {"GET", "/v0/ring/draw", ROUTE_WHOLE, NULL, 0, get_ring_draw},
    {"GET", "/v0/ring/marks", ROUTE_WHOLE, NULL, 0, get_marks},
    {"POST", "/v0/notes", ROUTE_WHOLE, NULL, 0, post_notes},
    {"POST", "/v0/clock", ROUTE_WHOLE, NULL, 0, post_clock},
    {"GET", "/v0/ready", ROUTE_WHOLE, NULL, 0, get_ready},
    {"GET", "/v0/snapshots/", ROUTE_NUMBER, "/report.pdf", 0, get_sheet},
    {"GET", "/v0/snapshots/", ROUTE_NUMBER, "/report.html", 0, get_sheet},
    {"GET", "/v0/snapshots/", ROUTE_NUMBER, "/report.png", 0, get_sheet},
    {"GET", "/v0/snapshots/", ROUTE_NUMBER, "/report.svg", 0, get_sheet},
    {"POST", "/v0/hookup/check", ROUTE_WHOLE, NULL, HOOKUP_MAX, post_hookup_check},
    {"PUT", "/v0/hookup", ROUTE_WHOLE, NULL, HOOKUP_MAX, put_hookup},
    {"GET", "/v0/phone", ROUTE_WHOLE, NULL, 0, get_phone},
    {"POST", "/v0/phone", ROUTE_WHOLE, NULL, 0, post_phone},
    {"DELETE", "/v0/phone", ROUTE_WHOLE, NULL, 0, delete_phone},
    {"GET", "/metrics", ROUTE_WHOLE, NULL, 0, get_metrics},
    {"GET", "/v0/hookup", ROUTE_WHOLE, NULL, 0, get_hookup},
    {"GET", "/v0/openapi.json", ROUTE_WHOLE, NULL, 0, get_openapi},
};

/* The number at `text` and behind it exactly `tail`; 0: there is none. */
static unsigned number_of(const char *text, const char *tail) {
    size_t digits = strspn(text, "0123456789");
    if (digits == 0 || digits > 6 || strcmp(text + digits, tail) != 0)
        return 0;
    unsigned long number = strtoul(text, NULL, 10);
    return number > NUMBER_MAX ? 0 : (unsigned)number;
}

static bool matches(const struct route *route, const char *url, unsigned *number) {
    size_t length = strlen(route->path);
    if (route->kind == ROUTE_WHOLE)
        return strcmp(url, route->path) == 0;
    if (strncmp(url, route->path, length) != 0)
        return false;
    if (route->kind == ROUTE_NAME)
        return true;
    *number = number_of(url + length, route->tail);
    return *number > 0;
}

const struct route *route_find(const char *method, const char *url, unsigned *number,
                               const char **rest, bool *known) {
    /* A body is left out of an answer to HEAD by libmicrohttpd. */
    const char *same = strcmp(method, "HEAD") == 0 ? "GET" : method;
    *known = false;
    for (size_t i = 0; i < sizeof routes / sizeof *routes; i++) {
        unsigned found = 0;
        if (!matches(&routes[i], url, &found))
            continue;
        *known = true;
        if (strcmp(same, routes[i].method) != 0)
            continue;
        *number = found;
        *rest = url + strlen(routes[i].path);
        return &routes[i];
    }
    return NULL;
}
