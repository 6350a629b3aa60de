// SPDX-License-Identifier: Apache-2.0
/*
 * driver_kit_poll.c - what every poll driver on a serial line must keep to: tests/boards/
 * asked_board.py gives it the recorded answers, a line a question, and does what it is told wrong.
 *
 * How many polls fall into a stretch is a matter of time. So a scan that was fetched late is left
 * out of what is compared, and what differs is tried again: only a machine that stands still for
 * longer than an answer may take can make a difference, and not each time.
 */
#include "asked_board.h"
#include "driver_kit.h"

#include "allocations.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define DEADLINE_MS 100
#define TRIES       10
#define EMPTY_MAX   40 /* fetches in a row: the recording is at its end */

static struct asked_board player;
static char folder[64], link_path[96];

static bool begin_played(bool write) {
    strcpy(folder, "/tmp/driver-kit-XXXXXX");
    if (!mkdtemp(folder))
        return false;
    (void)snprintf(link_path, sizeof link_path, "%s/port", folder);
    asked_board_start(&player, link_path, kit_bytes_path);
    kit_settings.device = link_path;
    return kit_begin(write);
}

static void end_played(void) {
    kit_end();
    asked_board_end(&player);
    unlink(link_path);
    rmdir(folder);
}

static size_t scan_lines(const char *text) {
    size_t lines = 0;
    for (const char *at = text; *at; at += strcspn(at, "\n") + (at[strcspn(at, "\n")] != '\0'))
        lines += *at != 'l';
    return lines;
}

/* Scans that were fetched late were asked by nobody: they are not in the recording. */
static void drop_late(void) {
    char *to = kit_told.text;
    kit_told.text[kit_told.used] = '\0';
    for (char *from = kit_told.text; *from;) {
        size_t length = strcspn(from, "\n");
        length += from[length] != '\0';
        if (!strstr(from, "fetched late") || strstr(from, "fetched late") > from + length) {
            memmove(to, from, length);
            to += length;
        }
        from += length;
    }
    *to = '\0';
    kit_told.used = (size_t)(to - kit_told.text);
}

/* Fetches until so many scans are there, or none comes any more; the last result. */
static int fetch_scans(size_t scans) {
    int result = 0;
    for (int empty = 0; empty < EMPTY_MAX && result >= 0;) {
        drop_late();
        if (scan_lines(kit_told.text) >= scans)
            break;
        result = kit_driver->fetch(kit_told.board, DEADLINE_MS);
        empty = result > 0 ? 0 : empty + 1;
    }
    return result;
}

static bool whole_recording_comes(void) {
    return fetch_scans(scan_lines(kit_expected)) >= 0 && !kit_told.broken &&
           strcmp(kit_told.text, kit_expected) == 0;
}

static bool comes_in_one_of_some_tries(const char *order) {
    bool good = false;
    for (int i = 0; i < TRIES && !good; i++) {
        good = begin_played(true);
        if (good && order)
            (void)asked_board_tell(&player, order);
        good = good && whole_recording_comes();
        if (!good && i + 1 == TRIES)
            kit_print_difference();
        end_played();
    }
    return good;
}

static bool recorded_answers_give_the_recorded_scans(void) {
    return comes_in_one_of_some_tries(NULL);
}

static bool answers_byte_by_byte(void) {
    return comes_in_one_of_some_tries("pieces on");
}

/* Nothing of a spoiled answer is taken for a scan; as many are lost, and it goes on as recorded. */
static bool spoiled(const char *order) {
    bool good = false;
    for (int i = 0; i < TRIES && !good; i++) {
        good = begin_played(true) && fetch_scans(4) >= 0;
        if (good)
            (void)asked_board_tell(&player, order);
        good = good && fetch_scans(scan_lines(kit_expected) - 2) >= 0 && !kit_told.broken;
        size_t length = strlen(kit_expected);
        const char *tail = strchr(kit_expected + length - length / 4, '\n');
        good = good && strstr(kit_told.text, "lost ") && tail && kit_told.used > strlen(tail) &&
               strcmp(kit_told.text + kit_told.used - strlen(tail), tail) == 0;
        end_played();
    }
    return good;
}

static bool flipped_bits_are_recovered_from(void) {
    return spoiled("fail flipped 2");
}
static bool missing_bytes_are_recovered_from(void) {
    return spoiled("fail short 2");
}
static bool silence_is_recovered_from(void) {
    return spoiled("fail silent 2");
}
static bool doubled_answers_cost_nothing(void) {
    return comes_in_one_of_some_tries("fail doubled 3");
}

/* It says that its device has gone; after start() nothing of before is left. */
static bool vanish_and_return(void) {
    bool good = false;
    for (int i = 0; i < TRIES && !good; i++) {
        good = begin_played(true) && fetch_scans(5) >= 0;
        (void)asked_board_tell(&player, "vanish");
        good = good && fetch_scans(SIZE_MAX) == -ENODEV && !kit_start();
        (void)asked_board_tell(&player, "return");
        kit_told.used = 0;
        good = good && kit_start() && whole_recording_comes();
        end_played();
    }
    return good;
}

/* A board that says nothing holds nobody up: a second is far beyond any deadline given here. */
static bool silence_does_not_hold_it_up(void) {
    struct timespec from, to;
    bool good = begin_played(true);
    (void)asked_board_tell(&player, "fail silent 1000");
    clock_gettime(CLOCK_MONOTONIC, &from);
    for (int i = 0; good && i < 10; i++)
        good = kit_driver->fetch(kit_told.board, DEADLINE_MS) == 0;
    clock_gettime(CLOCK_MONOTONIC, &to);
    end_played();
    return good && to.tv_sec - from.tv_sec < 10;
}

static bool nothing_is_allocated(void) {
    bool good = begin_played(false) && kit_driver->fetch(kit_told.board, DEADLINE_MS) >= 0;
    size_t before = allocations_count();
    for (int i = 0; good && i < 10; i++)
        good = kit_driver->fetch(kit_told.board, DEADLINE_MS) >= 0;
    good = good && allocations_count() == before && kit_told.any;
    end_played();
    return good;
}

static bool stop_and_close_in_any_state(void) {
    struct board_bytes request = {0};
    kit_driver->close(NULL);
    bool good = begin_played(true);
    for (int i = 0; good && i < 3; i++) {
        good = kit_driver->stop(kit_told.board, &request) == 0 &&
               kit_driver->stop(kit_told.board, &request) == 0 &&
               kit_driver->fetch(kit_told.board, DEADLINE_MS) == -ENODEV && kit_start() &&
               kit_driver->fetch(kit_told.board, DEADLINE_MS) >= 0;
    }
    end_played();
    return good;
}

const struct kit_check kit_poll_checks[] = {
    {"every option has help", kit_every_option_has_help},
    {"recorded answers give the recorded scans", recorded_answers_give_the_recorded_scans},
    {"answers byte by byte", answers_byte_by_byte},
    {"flipped bits are recovered from", flipped_bits_are_recovered_from},
    {"missing bytes are recovered from", missing_bytes_are_recovered_from},
    {"silence is recovered from", silence_is_recovered_from},
    {"doubled answers cost nothing", doubled_answers_cost_nothing},
    {"vanish and return", vanish_and_return},
    {"silence does not hold it up", silence_does_not_hold_it_up},
    {"nothing is allocated while fetching", nothing_is_allocated},
    {"stop and close in any state", stop_and_close_in_any_state},
    {0},
};
