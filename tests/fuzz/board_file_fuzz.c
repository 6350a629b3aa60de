// SPDX-License-Identifier: Apache-2.0
/*
 * board_file_fuzz.c - a board file of any bytes: sound, or every problem told; then, behind a zero
 * byte, any bytes from the board that it describes, in pieces of a size that the first byte says.
 *
 * Held: no count out of the described range, no empty loss, nothing told before the first scan.
 */
#include "board_files.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

struct fuzzed {
    struct board_description description;
    bool streaming;
};

static void must(bool holds) {
    if (!holds)
        abort();
}

static void on_samples(void *context, const int32_t *counts, size_t scans) {
    struct fuzzed *fuzzed = context;
    const struct board_description *description = &fuzzed->description;
    must(scans > 0 && description->inputs > 0);
    for (size_t i = 0; i < scans * description->inputs; i++)
        must(description->rail_low[0] > description->rail_high[0] ||
             (counts[i] >= description->rail_low[0] && counts[i] <= description->rail_high[0]));
    fuzzed->streaming = true;
}

static void on_loss(void *context, enum board_loss reason, uint64_t scans) {
    const struct fuzzed *fuzzed = context;
    must(reason < BOARD_LOSSES && scans > 0 && fuzzed->streaming);
}

static const struct board_driver *driver;
static struct board *board;

static void on_note(void *context, enum board_note note, int64_t value) {
    struct fuzzed *fuzzed = context;
    must(value == 0 && note != BOARD_NOTE_TIME);
    if (note == BOARD_NOTE_DESCRIBED)
        must(driver->describe(board, &fuzzed->description) == 0);
}

static void stream(const struct board_file_read *read, const uint8_t *data, size_t size) {
    struct fuzzed fuzzed = {0};
    const struct board_sinks sinks = {&fuzzed, on_samples, on_loss, on_note};
    const struct board_settings settings = {read->setting_count, read->setting, &read->file, NULL};
    struct board_bytes request;
    driver = read->file.driver;
    if (driver->open(&settings, &sinks, &board, NULL, 0) < 0)
        return;                        /* an option may still be refused */
    if (driver->shape == BOARD_POLL) { /* it gets its bytes itself */
        must(driver->describe(board, &fuzzed.description) == 0);
        driver->close(board);
        return;
    }
    (void)driver->describe(board, &fuzzed.description);
    must(driver->start(board, &request) == 0);
    size_t piece = size && data[0] ? data[0] : size;
    for (size_t at = 1; at < size; at += piece) {
        must(driver->consume(board, data + at, size - at < piece ? size - at : piece) <
             BOARD_RESULTS);
        if (driver->hole && data[at] == 'h')
            driver->hole(board);
    }
    driver->close(board);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    FILE *nowhere = fopen("/dev/null", "w");
    if (!nowhere)
        return 0;
    const uint8_t *zero = size ? memchr(data, 0, size) : NULL;
    size_t length = zero ? (size_t)(zero - data) : size;
    struct problems problems = {0};
    struct board_file_read *read = NULL;
    int result = board_files_parse((const char *)data, length, "fuzzed", &read, &problems);
    problems_print(&problems, "file", nowhere);
    must(!result == !!read && (result == -EINVAL) == (problems.count > 0));
    if (read && zero)
        stream(read, zero + 1, size - length - 1);
    problems_clear(&problems);
    board_files_free(read);
    fclose(nowhere);
    return 0;
}
