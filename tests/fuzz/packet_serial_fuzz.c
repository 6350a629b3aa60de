// SPDX-License-Identifier: Apache-2.0
/*
 * packet_serial_fuzz.c - any bytes into the driver packet-serial. The first byte of the input says
 * in which pieces they come.
 *
 * Held: no scan before a description, no count out of the described range, no empty loss.
 */
#include "drivers.h"

#include <stdlib.h>

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
    must(scans > 0 && description->inputs > 0);
    for (size_t i = 0; i < scans * description->inputs; i++)
        must(counts[i] >= description->rail_low[0] && counts[i] <= description->rail_high[0]);
}

static void on_loss(void *context, enum board_loss reason, uint64_t scans) {
    const struct fuzzed *fuzzed = context;
    must(fuzzed->description.inputs > 0 && reason < BOARD_LOSSES && scans > 0);
}

static void on_note(void *context, enum board_note note, int64_t value) {
    struct fuzzed *fuzzed = context;
    must(value == 0 && note != BOARD_NOTE_TIME);
    if (note == BOARD_NOTE_DESCRIBED)
        must(fuzzed->driver->describe(fuzzed->board, &fuzzed->description) == 0);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    if (size < 1)
        return 0;
    struct fuzzed fuzzed = {.driver = drivers_find("packet-serial")};
    struct board_sinks sinks = {&fuzzed, on_samples, on_loss, on_note};
    struct board_bytes request;
    must(fuzzed.driver->open(NULL, &sinks, &fuzzed.board, NULL, 0) == 0);
    must(fuzzed.driver->start(fuzzed.board, &request) == 0);
    size_t piece = data[0] ? data[0] : size;
    for (size_t at = 1; at < size; at += piece)
        must(fuzzed.driver->consume(fuzzed.board, data + at,
                                    size - at < piece ? size - at : piece) < BOARD_RESULTS);
    fuzzed.driver->close(fuzzed.board);
    return 0;
}
