// SPDX-License-Identifier: Apache-2.0
/*
 * text_serial_fuzz.c - any bytes into the driver text-serial. The first line of the input is the
 * option `columns` ("" for none), its first byte the number of decimals and the time's unit.
 *
 * Held: no scan before a description, no count out of the described range, no empty loss.
 */
#include "drivers.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

struct fuzzed {
    const struct board_driver *driver;
    struct board *board;
    struct board_description description;
};

static void must(bool holds) {
    if (!holds)
        abort();
}

static void on_samples(void *context, const int32_t *counts, size_t scans) {
    const struct fuzzed *fuzzed = context;
    const struct board_description *description = &fuzzed->description;
    must(scans == 1 && description->inputs > 0);
    for (size_t i = 0; i < description->inputs; i++)
        must(description->rail_low[i] > description->rail_high[i] ||
             (counts[i] >= description->rail_low[i] && counts[i] <= description->rail_high[i]));
}

static void on_loss(void *context, enum board_loss reason, uint64_t scans) {
    (void)context;
    must(reason < BOARD_LOSSES && scans > 0);
}

static void on_note(void *context, enum board_note note, int64_t value) {
    struct fuzzed *fuzzed = context;
    must(value == 0 && note != BOARD_NOTE_TIME);
    if (note == BOARD_NOTE_DESCRIBED)
        must(fuzzed->driver->describe(fuzzed->board, &fuzzed->description) == 0);
}

static int open_board(struct fuzzed *fuzzed, uint8_t kind, const char *columns) {
    static const char *const units[] = {"s", "ms", "us"};
    char decimals[2] = {(char)('0' + kind % 7), '\0'};
    struct board_setting setting[] = {{"rate", "1000"},
                                      {"decimals", decimals},
                                      {"time-unit", units[kind / 7 % 3]},
                                      {"columns", columns}};
    struct board_settings settings = {.count = *columns ? 4 : 3, .setting = setting};
    struct board_sinks sinks = {fuzzed, on_samples, on_loss, on_note};
    return fuzzed->driver->open(&settings, &sinks, &fuzzed->board, NULL, 0);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    char columns[256] = "";
    const uint8_t *line_end = size > 1 ? memchr(data + 1, '\n', size - 1) : NULL;
    size_t head = line_end ? (size_t)(line_end - data) : 0;
    if (!line_end || head > sizeof columns)
        return 0;
    memcpy(columns, data + 1, head - 1);
    struct fuzzed fuzzed = {.driver = drivers_find("text-serial")};
    if (open_board(&fuzzed, data[0], columns) < 0)
        return 0;
    if (fuzzed.driver->describe(fuzzed.board, &fuzzed.description) < 0)
        fuzzed.description.inputs = 0;
    struct board_bytes request;
    must(fuzzed.driver->start(fuzzed.board, &request) == 0);
    must(fuzzed.driver->consume(fuzzed.board, line_end, size - head) < BOARD_RESULTS);
    fuzzed.driver->close(fuzzed.board);
    return 0;
}
