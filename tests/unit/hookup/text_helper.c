// SPDX-License-Identifier: Apache-2.0
/*
 * text_helper.c - hookup texts for the tests, and small changes to them.
 */
#include "text_helper.h"

#include "cmocka_helper.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *const text_sound = "[vehicle]\n"
                               "name = parcel van, bay 2\n"
                               "complaint = cranks, sometimes will not start at dawn\n"
                               "cylinders = 4\n"
                               "system = 12\n"
                               "ground = battery-negative        ; or engine, body, ecu\n"
                               "\n"
                               "[board logger]\n"
                               "driver = packet-serial\n"
                               "device = /dev/serial/by-id/usb-logger-1\n"
                               "rate = 5000\n"
                               "\n"
                               "[channel battery]\n"
                               "board = logger\n"
                               "input = 0\n"
                               "role = battery\n"
                               "divider = 5.7\n"
                               "\n"
                               "[channel crank-feed]\n"
                               "board = logger\n"
                               "input = 1\n"
                               "role = feed\n"
                               "nominal = 5\n"
                               "tolerance = 5 %\n"
                               "measured-at = sensor\n"
                               "\n"
                               "[channel crank-return]\n"
                               "board = logger\n"
                               "input = 2\n"
                               "role = return\n"
                               "\n"
                               "[channel crank-signal]\n"
                               "board = logger\n"
                               "input = 3\n"
                               "role = signal\n"
                               "delay = 20 us\n"
                               "\n"
                               "[sensor crank]\n"
                               "kind = hall\n"
                               "feed = crank-feed\n"
                               "return = crank-return\n"
                               "signal = crank-signal\n"
                               "pull-up = 5\n"
                               "shaft = crank\n"
                               "wheel = 60-2\n"
                               "\n"
                               "[trigger weak-feed]\n"
                               "channel = crank-feed\n"
                               "below = 4.6 V\n"
                               "hysteresis = 100 mV\n"
                               "for = 3 ms\n"
                               "when = cranking, running\n";

char *text_replaced(const char *text, const char *old, const char *new) {
    const char *at = strstr(text, old);
    assert_non_null(at);
    char *made = NULL;
    assert_true(asprintf(&made, "%.*s%s%s", (int)(at - text), text, new, at + strlen(old)) >= 0);
    return made;
}

unsigned text_line_of(const char *text, const char *part) {
    const char *at = strstr(text, part);
    assert_non_null(at);
    unsigned line = 1;
    for (const char *byte = text; byte < at; byte++)
        line += *byte == '\n';
    return line;
}
