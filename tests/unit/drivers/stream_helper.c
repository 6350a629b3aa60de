// SPDX-License-Identifier: Apache-2.0
/*
 * stream_helper.c - drives a stream driver and writes down what it tells.
 */
#include "stream_helper.h"
#include "cmocka_helper.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct stream stream;

__attribute__((format(printf, 1, 2))) static void write_down(const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    size_t room = sizeof stream.told - stream.used;
    int length = vsnprintf(stream.told + stream.used, room, format, arguments);
    va_end(arguments);
    assert_true(length >= 0 && (size_t)length < room);
    stream.used += (size_t)length;
}

static void on_samples(void *context, const int32_t *counts, size_t scans) {
    assert_ptr_equal(context, &stream);
    assert_true(scans > 0);
    size_t inputs = stream.description.inputs;
    assert_true(inputs > 0); /* no scan before a description */
    for (size_t scan = 0; scan < scans; scan++)
        for (size_t input = 0; input < inputs; input++)
            write_down("%d%c", (int)counts[scan * inputs + input], input + 1 < inputs ? ',' : ';');
    stream.scans += scans;
}

static void on_loss(void *context, enum board_loss reason, uint64_t scans) {
    assert_ptr_equal(context, &stream);
    assert_true(scans > 0);
    if (scans == BOARD_LOSS_UNKNOWN) {
        write_down("lost ? %s;", board_loss_name(reason));
        stream.unknown++;
    } else {
        write_down("lost %llu %s;", (unsigned long long)scans, board_loss_name(reason));
        stream.lost += scans;
    }
}

static void on_note(void *context, enum board_note note, int64_t value) {
    assert_ptr_equal(context, &stream);
    assert_true(value == 0);
    if (note == BOARD_NOTE_ALIVE) {
        stream.alive++;
        return;
    }
    assert_int_equal(note, BOARD_NOTE_DESCRIBED);
    assert_int_equal(stream.driver->describe(stream.board, &stream.description), 0);
    stream.described++;
    write_down("described;");
}

struct stream *stream_open(const struct board_driver *driver, ...) {
    static char words[STREAM_SETTINGS_MAX][128];
    struct board_setting setting[STREAM_SETTINGS_MAX];
    struct board_settings settings = {.setting = setting};
    va_list arguments;
    va_start(arguments, driver);
    for (const char *word; (word = va_arg(arguments, const char *)); settings.count++) {
        assert_true(settings.count < STREAM_SETTINGS_MAX);
        char *copy = words[settings.count];
        snprintf(copy, sizeof words[0], "%s", word);
        char *equals = strchr(copy, '=');
        assert_non_null(equals);
        *equals = '\0';
        setting[settings.count] = (struct board_setting){copy, equals + 1};
    }
    va_end(arguments);
    memset(&stream, 0, sizeof stream);
    stream.driver = driver;
    struct board_sinks sinks = {&stream, on_samples, on_loss, on_note};
    char why[200] = "";
    assert_int_equal(driver->open(&settings, &sinks, &stream.board, why, sizeof why), 0);
    assert_string_equal(why, "");
    struct board_bytes request;
    assert_int_equal(driver->start(stream.board, &request), 0);
    if (driver->describe(stream.board, &stream.description) != 0)
        stream.description.inputs = 0;
    return &stream;
}

enum board_result stream_bytes(struct stream *one, const uint8_t *bytes, size_t count) {
    /* Memory of exactly this size, so that the sanitizer sees a read beyond it. */
    uint8_t *exact = malloc(count ? count : 1);
    assert_non_null(exact);
    if (count)
        memcpy(exact, bytes, count);
    enum board_result result = one->driver->consume(one->board, exact, count);
    free(exact);
    one->results[result]++;
    return result;
}

enum board_result stream_pieces(struct stream *one, const uint8_t *bytes, size_t count,
                                size_t piece) {
    enum board_result worst = BOARD_NEED_MORE;
    for (size_t at = 0; at < count; at += piece) {
        size_t part = count - at < piece ? count - at : piece;
        worst = board_result_worse(worst, stream_bytes(one, bytes + at, part));
    }
    return worst;
}

enum board_result stream_text(struct stream *one, const char *text) {
    return stream_bytes(one, (const uint8_t *)text, strlen(text));
}

void stream_forget(struct stream *one) {
    one->scans = one->lost = one->unknown = one->alive = one->described = 0;
    memset(one->results, 0, sizeof one->results);
    one->used = 0;
    one->told[0] = '\0';
}

void stream_close(struct stream *one) {
    one->driver->close(one->board);
    one->board = NULL;
}

size_t stream_example(const char *name, uint8_t *bytes, size_t size) {
    FILE *file = fopen(CRANKTRAP_SOURCE "/docs/wire.md", "r");
    assert_non_null(file);
    char wanted[64];
    snprintf(wanted, sizeof wanted, "```wire %s\n", name);
    char line[512];
    bool inside = false;
    size_t count = 0;
    while (fgets(line, sizeof line, file)) {
        if (!inside) {
            inside = strcmp(line, wanted) == 0;
            continue;
        }
        if (strncmp(line, "```", 3) == 0)
            break;
        unsigned byte;
        int length;
        for (const char *at = line; sscanf(at, " %2x%n", &byte, &length) == 1; at += length) {
            assert_true(count < size);
            bytes[count++] = (uint8_t)byte;
        }
    }
    fclose(file);
    assert_true(count > 0);
    return count;
}
