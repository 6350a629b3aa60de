// SPDX-License-Identifier: Apache-2.0
/*
 * wire_reference_test.c - packet-serial fed by wire_reference.py, a second encoder written from
 * docs/wire.md alone.
 */
#include "cmocka_helper.h"
#include "drivers.h"
#include "stream_helper.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static char line[1u << 16];
static uint8_t bytes[sizeof line / 2];

static void pass_hex(struct stream *stream, const char *hex) {
    size_t count = 0;
    unsigned byte;
    for (; sscanf(hex, "%2x", &byte) == 1; hex += 2)
        bytes[count++] = (uint8_t)byte;
    assert_true(count > 0);
    stream_pieces(stream, bytes, count, 13);
}

/* The next thing told must be `expected`; it is taken off. */
static void assert_next(struct stream *stream, size_t *read, const char *expected) {
    size_t length = strlen(expected);
    assert_true(stream->used - *read >= length);
    assert_memory_equal(stream->told + *read, expected, length);
    *read += length;
}

static void a_second_encoder_is_understood(void **state) {
    (void)state;
    FILE *encoder = popen("python3 " CRANKTRAP_SOURCE "/tests/unit/drivers/wire_reference.py", "r");
    assert_non_null(encoder);
    struct stream *stream = NULL;
    size_t read = 0, boards = 0, packets = 0, losses = 0;
    char loss[64] = "";
    while (fgets(line, sizeof line, encoder)) {
        unsigned inputs, bits, is_signed, count;
        char reason[16];
        line[strcspn(line, "\n")] = '\0';
        if (strncmp(line, "bytes ", 6) == 0) {
            if (!stream)
                stream = stream_open(drivers_find("packet-serial"), NULL);
            pass_hex(stream, line + 6);
        } else if (sscanf(line, "describe %u %u %u", &inputs, &bits, &is_signed) == 3) {
            assert_non_null(stream);
            /* One stream of bytes for all boards: each but the first is a restart. */
            if (boards++)
                assert_next(stream, &read, "lost ? board restarted;");
            assert_next(stream, &read, "described;");
            assert_int_equal(stream->description.inputs, inputs);
            assert_int_equal(stream->description.bits[0], bits);
            assert_int_equal(stream->description.rail_low[0] < 0, is_signed);
            assert_string_equal(stream->description.identity, "reference");
        } else if (sscanf(line, "loss %15s %u", reason, &count) == 2) {
            const char *name = strcmp(reason, "packet") == 0 ? "packet lost" : "overrun";
            snprintf(loss, sizeof loss, "lost %u %s;", count, name);
            losses++;
        } else if (sscanf(line, "scans %u", &count) == 1) {
            assert_next(stream, &read, loss);
            loss[0] = '\0';
            assert_next(stream, &read, strrchr(line, ' ') + 1);
            assert_next(stream, &read, ";");
            assert_int_equal(stream->used, read);
            stream_forget(stream);
            read = 0;
            packets++;
        } else {
            fail_msg("not understood: %.60s", line);
        }
    }
    int status = pclose(encoder);
    if (status != 0 && !boards) {
        print_message("not run: python3 is not there\n");
        skip();
    }
    assert_int_equal(status, 0);
    assert_int_equal(boards, 34); /* 8 to 24 bits, unsigned and signed */
    assert_int_equal(packets, 34 * 6);
    assert_true(losses > 20);
    stream_close(stream);
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(a_second_encoder_is_understood)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
