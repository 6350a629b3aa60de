// SPDX-License-Identifier: Apache-2.0
/*
 * wire_encoder_test.c - the boards' encoder: its bytes against docs/wire.md, all widths through
 * the driver and back, and the requests it finds.
 */
#include "cmocka_helper.h"
#include "drivers.h"
#include "stream_helper.h"
#include "wire_encoder.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const struct wire_board bench_board = {.boot_id = 0x1A2B3C4D,
                                              .rate_millihz = 2000000,
                                              .inputs = 3,
                                              .bits = 12,
                                              .skew_ns = 10000,
                                              .span_microvolts = 3300000,
                                              .name = "bench board 7"};

static void assert_example(const char *name, const uint8_t *packet, size_t count) {
    uint8_t example[256];
    assert_int_equal(count, stream_example(name, example, sizeof example));
    assert_memory_equal(packet, example, count);
}

static void bytes_are_those_of_the_page(void **state) {
    (void)state;
    struct wire_encoder encoder;
    uint8_t packet[WIRE_PACKET_MAX];
    assert_int_equal(wire_encoder_begin(&encoder, &bench_board, 2), 0);
    encoder.next_scan = 1000;
    assert_example("description", packet, wire_encoder_describe(&encoder, packet));
    static const int32_t counts[3][3] = {{2650, 0, 4095}, {2651, 1, 4094}, {2652, 2, 4093}};
    assert_int_equal(wire_encoder_scan(&encoder, counts[0], packet), 0);
    assert_example("scans", packet, wire_encoder_scan(&encoder, counts[1], packet));
    assert_int_equal(wire_encoder_skip(&encoder, 10, packet), 0);
    assert_int_equal(wire_encoder_scan(&encoder, counts[2], packet), 0);
    assert_example("scans-after-drop", packet, wire_encoder_flush(&encoder, packet));
    assert_int_equal(wire_encoder_flush(&encoder, packet), 0);
}

static void impossible_boards_are_refused(void **state) {
    (void)state;
    struct wire_encoder encoder;
    static const struct {
        uint8_t inputs, bits;
    } wrong[] = {{0, 12}, {65, 12}, {255, 24}, {3, 7}, {3, 25}, {3, 0}};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        struct wire_board board = {.inputs = wrong[i].inputs, .bits = wrong[i].bits};
        assert_int_equal(wire_encoder_begin(&encoder, &board, 1), -1);
    }
}

/* One board's scans through the encoder and the driver, in packets as full as they get. */
static void assert_comes_back(const struct wire_board *board) {
    static char expected[1u << 20];
    struct wire_encoder encoder;
    uint8_t packet[WIRE_PACKET_MAX];
    int32_t low = board->is_signed ? -(1 << (board->bits - 1)) : 0;
    int32_t high = low + ((1 << board->bits) - 1);
    assert_int_equal(wire_encoder_begin(&encoder, board, 0xFFFF), 0);
    struct stream *stream = stream_open(drivers_find("packet-serial"), NULL);
    stream_bytes(stream, packet, wire_encoder_describe(&encoder, packet));
    assert_int_equal(stream->description.rail_low[0], low);
    assert_int_equal(stream->description.rail_high[0], high);
    assert_int_equal(stream->description.bits[0], board->bits);
    size_t used = (size_t)sprintf(expected, "described;");
    uint32_t seed = board->boot_id;
    for (int scan = 0; scan < 600; scan++) {
        int32_t counts[WIRE_INPUTS_MAX];
        for (unsigned i = 0; i < board->inputs; i++) {
            seed = seed * 1664525u + 1013904223u;
            int32_t inner = low + (int32_t)((seed >> 8) % (1u << board->bits));
            counts[i] = seed % 5 == 0 ? low : seed % 5 == 1 ? high : inner;
            used += (size_t)sprintf(expected + used, "%d%c", (int)counts[i],
                                    i + 1 < board->inputs ? ',' : ';');
        }
        size_t length = wire_encoder_scan(&encoder, counts, packet);
        assert_true(length <= WIRE_PACKET_MAX);
        stream_bytes(stream, packet, length);
    }
    stream_bytes(stream, packet, wire_encoder_flush(&encoder, packet));
    assert_string_equal(stream->told, expected);
    assert_int_equal(stream->scans, 600);
    stream_close(stream);
}

static void every_width_comes_back(void **state) {
    (void)state;
    static const uint8_t inputs[] = {1, 3, 16, WIRE_INPUTS_MAX};
    for (uint8_t bits = 8; bits <= 24; bits++)
        for (size_t i = 0; i < sizeof inputs; i++)
            for (uint8_t is_signed = 0; is_signed < 2; is_signed++)
                assert_comes_back(&(struct wire_board){
                    .boot_id = bits, .inputs = inputs[i], .bits = bits, .is_signed = is_signed});
}

static void skip_sends_what_there_was(void **state) {
    (void)state;
    struct wire_encoder encoder;
    uint8_t packet[WIRE_PACKET_MAX];
    const struct wire_board board = {.boot_id = 5, .inputs = 1, .bits = 8};
    assert_int_equal(wire_encoder_begin(&encoder, &board, 10), 0);
    struct stream *stream = stream_open(drivers_find("packet-serial"), NULL);
    stream_bytes(stream, packet, wire_encoder_describe(&encoder, packet));
    for (int32_t count = 1; count < 4; count++)
        assert_int_equal(wire_encoder_scan(&encoder, &count, packet), 0);
    size_t length = wire_encoder_skip(&encoder, 2, packet);
    assert_true(length > 0);
    stream_bytes(stream, packet, length);
    assert_int_equal(wire_encoder_skip(&encoder, 3, packet), 0);
    stream_bytes(stream, packet, wire_encoder_scan(&encoder, &(int32_t){9}, packet));
    stream_bytes(stream, packet, wire_encoder_flush(&encoder, packet));
    assert_string_equal(stream->told, "described;1;2;3;lost 5 overrun;9;");
    stream_close(stream);
}

static void a_long_name_is_cut(void **state) {
    (void)state;
    struct wire_board board = bench_board;
    board.name = "0123456789012345678901234567890123456789";
    struct wire_encoder encoder;
    uint8_t packet[WIRE_PACKET_MAX];
    assert_int_equal(wire_encoder_begin(&encoder, &board, 1), 0);
    struct stream *stream = stream_open(drivers_find("packet-serial"), NULL);
    stream_bytes(stream, packet, wire_encoder_describe(&encoder, packet));
    assert_string_equal(stream->description.identity, "0123456789012345678901234567890");
    stream_close(stream);
}

/* ---- requests ---- */

/* The requests found in `bytes`, as letters. */
static void find(const uint8_t *bytes, size_t count, char *found) {
    struct wire_decoder decoder = {0};
    for (size_t i = 0; i < count; i++) {
        enum wire_request request = wire_decoder_byte(&decoder, bytes[i]);
        if (request != WIRE_REQUEST_NONE)
            *found++ = ".DSX"[request];
    }
    *found = '\0';
}

static void requests_are_found_among_garbage(void **state) {
    (void)state;
    uint8_t bytes[256];
    size_t count = stream_example("describe", bytes, sizeof bytes);
    count += stream_example("start", bytes + count, sizeof bytes - count);
    count += stream_example("stop", bytes + count, sizeof bytes - count);
    char found[64];
    find(bytes, count, found);
    assert_string_equal(found, "DSX");

    uint8_t noisy[256];
    memset(noisy, 'z', 100); /* longer than any request */
    noisy[100] = 0;
    memcpy(noisy + 101, bytes, count);
    find(noisy, 101 + count, found);
    assert_string_equal(found, "DSX");

    for (size_t bit = 0; bit < 8 * count; bit++) {
        bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
        find(bytes, count, found);
        assert_true(strlen(found) < 3); /* never one more, never another in its place */
        assert_true(strcmp(found, "DS") == 0 || strcmp(found, "DX") == 0 ||
                    strcmp(found, "SX") == 0 || strlen(found) == 1);
        bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
    }
}

static void a_longer_request_of_a_later_edition_is_taken(void **state) {
    (void)state;
    uint8_t payload[8] = {0x82, 0xAA, 0xBB};
    uint16_t check = wire_check(0xFFFF, payload, 3);
    payload[3] = (uint8_t)(check >> 8);
    payload[4] = (uint8_t)check;
    uint8_t packet[16];
    char found[4];
    find(packet, wire_stuff(payload, 5, packet), found);
    assert_string_equal(found, "S");
}

static void the_driver_and_the_board_understand_each_other(void **state) {
    (void)state;
    struct stream *stream = stream_open(drivers_find("packet-serial"), NULL);
    struct board_bytes request;
    char found[8];
    assert_int_equal(stream->driver->start(stream->board, &request), 0);
    find(request.byte, request.count, found);
    assert_string_equal(found, "DS");
    assert_int_equal(stream->driver->stop(stream->board, &request), 0);
    find(request.byte, request.count, found);
    assert_string_equal(found, "X");
    stream_close(stream);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(bytes_are_those_of_the_page),
        cmocka_unit_test(impossible_boards_are_refused),
        cmocka_unit_test(every_width_comes_back),
        cmocka_unit_test(skip_sends_what_there_was),
        cmocka_unit_test(a_long_name_is_cut),
        cmocka_unit_test(requests_are_found_among_garbage),
        cmocka_unit_test(a_longer_request_of_a_later_edition_is_taken),
        cmocka_unit_test(the_driver_and_the_board_understand_each_other),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
