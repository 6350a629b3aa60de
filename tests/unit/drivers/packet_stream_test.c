// SPDX-License-Identifier: Apache-2.0
/*
 * packet_stream_test.c - packets of a layout out of bytes: packings worked out by hand, damage,
 * counters that wrap, holes.
 */
#include "cmocka_helper.h"
#include "packet_stream.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

static char told[4000];
static size_t inputs_told;

static void on_samples(void *context, const int32_t *counts, size_t scans) {
    (void)context;
    for (size_t i = 0; i < scans * inputs_told; i++)
        snprintf(told + strlen(told), sizeof told - strlen(told), "%d%c", (int)counts[i],
                 (i + 1) % inputs_told ? ',' : ';');
}

static void on_loss(void *context, enum board_loss reason, uint64_t scans) {
    (void)context;
    if (scans == BOARD_LOSS_UNKNOWN)
        snprintf(told + strlen(told), sizeof told - strlen(told), "lost ? %s;",
                 board_loss_name(reason));
    else
        snprintf(told + strlen(told), sizeof told - strlen(told), "lost %u %s;", (unsigned)scans,
                 board_loss_name(reason));
}

static void on_note(void *context, enum board_note note, int64_t value) {
    (void)context;
    (void)note;
    (void)value;
}

static struct packet_stream *open_stream(const struct packet_layout *layout) {
    const struct board_sinks sinks = {NULL, on_samples, on_loss, on_note};
    struct packet_stream *stream = NULL;
    told[0] = '\0';
    inputs_told = layout->inputs;
    assert_int_equal(packet_stream_new(layout, &sinks, &stream), 0);
    packet_stream_restart(stream);
    return stream;
}

/* What the bytes say, at once and cut after every byte. */
static void assert_told(const struct packet_layout *layout, const char *bytes, size_t count,
                        const char *expected) {
    struct packet_stream *stream = open_stream(layout);
    packet_stream_consume(stream, (const uint8_t *)bytes, count);
    assert_string_equal(told, expected);
    packet_stream_free(stream);
    stream = open_stream(layout);
    for (size_t i = 0; i < count; i++)
        packet_stream_consume(stream, (const uint8_t *)bytes + i, 1);
    assert_string_equal(told, expected);
    packet_stream_free(stream);
}
#define ASSERT_TOLD(layout, bytes, expected) assert_told(layout, bytes, sizeof(bytes) - 1, expected)

/* Two inputs, one scan, nothing around it. */
static struct packet_layout bare(unsigned bits, unsigned slot_bits) {
    struct packet_layout layout = {.value_bits = bits,
                                   .value_slot_bits = slot_bits,
                                   .scans = 1,
                                   .scan_bits = 2 * (size_t)slot_bits,
                                   .columns = 2,
                                   .inputs = 2,
                                   .input = {0, 1},
                                   .size = slot_bits / 4};
    return layout;
}

/* a5 | counter, one byte | two values of one byte | sum8 */
static struct packet_layout guarded(void) {
    struct packet_layout layout = bare(8, 8);
    layout.header_size = 1;
    layout.header[0] = 0xA5;
    layout.counter_at = 1;
    layout.counter_bits = 8;
    layout.values_at = 2;
    layout.check = PACKET_CHECK_SUM8;
    layout.size = 5;
    return layout;
}

/* The same without the sum. */
static struct packet_layout unchecked(void) {
    struct packet_layout layout = guarded();
    layout.check = PACKET_CHECK_NONE;
    layout.size = 4;
    return layout;
}

/* 0x123 and 0xABC in three bytes; both orders are in use. Worked out by hand. */
static void two_12_bit_values_in_three_bytes(void **state) {
    (void)state;
    struct packet_layout layout = bare(12, 12);
    ASSERT_TOLD(&layout, "\x23\xC1\xAB", "291,2748;");
    layout.big = true;
    ASSERT_TOLD(&layout, "\x12\x3A\xBC", "291,2748;");
    layout.is_signed = true; /* 0xABC - 0x1000 = -1348 */
    ASSERT_TOLD(&layout, "\x12\x3A\xBC", "291,-1348;");
}

static void widths_orders_and_signs(void **state) {
    (void)state;
    struct packet_layout layout = bare(16, 16);
    ASSERT_TOLD(&layout, "\x34\x12\xFF\xFF", "4660,65535;");
    layout.big = layout.is_signed = true;
    ASSERT_TOLD(&layout, "\x12\x34\xFF\xFF", "4660,-1;");
    layout = bare(24, 24);
    layout.big = layout.is_signed = true;
    ASSERT_TOLD(&layout, "\x80\x00\x00\x7F\xFF\xFF", "-8388608,8388607;");
    layout = bare(32, 32);
    layout.is_signed = true;
    ASSERT_TOLD(&layout, "\x00\x00\x00\x80\xFF\xFF\xFF\x7F", "-2147483648,2147483647;");
}

/* 12 bits at the top of 16, and at the bottom with a channel number above them. */
static void a_value_may_stand_anywhere_in_its_slot(void **state) {
    (void)state;
    struct packet_layout layout = bare(12, 16);
    ASSERT_TOLD(&layout, "\x23\x71\xBC\x8A", "291,2748;");
    layout.value_shift = 4;
    ASSERT_TOLD(&layout, "\x30\x12\xCF\xAB", "291,2748;");
}

static void columns_stand_in_the_boards_order(void **state) {
    (void)state;
    struct packet_layout layout = bare(8, 8);
    layout.columns = 3;
    layout.input[0] = 1;
    layout.input[1] = PACKET_COLUMN_BLANK;
    layout.input[2] = 0;
    layout.scan_bits = 32; /* and a byte between scans */
    layout.scans = 2;
    layout.size = 8;
    ASSERT_TOLD(&layout, "\x01\x09\x02\x09\x03\x09\x04\x09", "2,1;4,3;");
}

static void packed_scans_run_on_over_byte_boundaries(void **state) {
    (void)state;
    struct packet_layout layout = bare(10, 10); /* 2 scans are 40 bits */
    layout.scans = 2;
    layout.size = 5;
    layout.big = true;
    /* 0000000001 0000000010 0000000011 1111111111 */
    ASSERT_TOLD(&layout, "\x00\x40\x20\x0F\xFF", "1,2;3,1023;");
}

static void a_lost_packet_has_the_size_that_the_counter_says(void **state) {
    (void)state;
    struct packet_layout layout = guarded();
    ASSERT_TOLD(&layout, "\xA5\x01\x05\x06\xB1\xA5\x05\x07\x08\xB9", "5,6;lost 3 packet lost;7,8;");
}

static void a_counter_may_wrap(void **state) {
    (void)state;
    struct packet_layout layout = guarded();
    ASSERT_TOLD(&layout, "\xA5\xFF\x01\x01\xA6\xA5\x00\x02\x02\xA9\xA5\x02\x03\x03\xAD",
                "1,1;2,2;lost 1 packet lost;3,3;");
}

static void a_counter_that_falls_back_is_a_restart(void **state) {
    (void)state;
    struct packet_layout layout = guarded();
    ASSERT_TOLD(&layout, "\xA5\x70\x01\x01\x17\xA5\x00\x02\x02\xA9",
                "1,1;lost ? board restarted;2,2;");
}

static void a_packet_that_comes_twice_is_taken_once(void **state) {
    (void)state;
    struct packet_layout layout = guarded();
    ASSERT_TOLD(&layout, "\xA5\x01\x05\x06\xB1\xA5\x01\x05\x06\xB1\xA5\x02\x07\x08\xB6",
                "5,6;7,8;");
}

static void a_flipped_bit_costs_its_packet(void **state) {
    (void)state;
    struct packet_layout layout = guarded();
    const char bytes[] = "\xA5\x01\x05\x06\xB1\xA5\x02\x07\x08\xB6\xA5\x03\x09\x0A\xBB";
    for (size_t bit = 0; bit < 40; bit++) {
        char damaged[sizeof bytes];
        memcpy(damaged, bytes, sizeof bytes);
        damaged[5 + bit / 8] ^= (char)(1 << bit % 8);
        assert_told(&layout, damaged, sizeof bytes - 1, "5,6;lost 1 damaged;9,10;");
    }
}

/* Without a check the counter of the next packet proves this one. */
static void a_torn_packet_without_check_is_not_taken(void **state) {
    (void)state;
    struct packet_layout layout = unchecked();
    ASSERT_TOLD(&layout, "\xA5\x01\x05\x06\xA5\x02\x07\xA5\x03\x09\x0A\xA5\x04\x0B\x0C\xA5\x05",
                "5,6;lost 1 damaged;9,10;11,12;");
    /* A damaged counter: the packet is out of step with both its neighbours. */
    ASSERT_TOLD(&layout, "\xA5\x00\x03\x04\xA5\x01\x05\x06\xA5\x42\x07\x08\xA5\x03\x09\x0A\xA5\x04",
                "3,4;5,6;lost 1 damaged;9,10;");
}

static void headers_within_values_do_not_mislead(void **state) {
    (void)state;
    struct packet_layout layout = guarded();
    ASSERT_TOLD(&layout, "\xA5\xA5\xA5\x01\xA5\xA5\xF0\xA5\x02\xA5\xA5\xF1", "165,165;165,165;");
}

static void a_hole_is_told_by_the_counter_or_as_unknown(void **state) {
    (void)state;
    struct packet_layout layout = guarded();
    for (int counted = 1; counted >= 0; counted--) {
        if (!counted)
            layout.counter_bits = 0; /* the counter is a byte of no use */
        struct packet_stream *stream = open_stream(&layout);
        packet_stream_consume(stream, (const uint8_t *)"\xA5\x01\x05\x06\xB1\xA5\x02\x07", 8);
        packet_stream_hole(stream);
        packet_stream_consume(stream, (const uint8_t *)"\x0F\xA5\x04\x07\x08\xB8", 6);
        assert_string_equal(told, counted ? "5,6;lost 2 damaged;7,8;" : "5,6;lost ? damaged;7,8;");
        packet_stream_free(stream);
    }
}

static void nothing_is_told_across_a_restart(void **state) {
    (void)state;
    struct packet_layout layout = guarded();
    struct packet_stream *stream = open_stream(&layout);
    packet_stream_consume(stream, (const uint8_t *)"\xA5\x01\x05\x06\xB1\xA5\x02", 7);
    packet_stream_restart(stream);
    packet_stream_consume(stream, (const uint8_t *)"\xB6\xA5\x40\x07\x08\xF4", 6);
    assert_string_equal(told, "5,6;7,8;");
    packet_stream_free(stream);
}

static void a_layout_that_looks_beyond_its_packet_is_refused(void **state) {
    (void)state;
    const struct board_sinks sinks = {NULL, on_samples, on_loss, on_note};
    struct packet_stream *stream = NULL;
    struct packet_layout sound = guarded();
    for (int i = 0; i < 8; i++) {
        struct packet_layout layout = sound;
        switch (i) {
        case 0:
            layout.size = 4;
            break;
        case 1:
            layout.counter_at = 4;
            break;
        case 2:
            layout.values_at = 3;
            break;
        case 3:
            layout.scans = 2;
            break;
        case 4:
            layout.input[1] = 0;
            break;
        case 5:
            layout.input[1] = 2;
            break;
        case 6:
            layout.check_from = 5;
            break;
        default:
            layout.value_bits = 9;
            break;
        }
        assert_int_equal(packet_stream_new(&layout, &sinks, &stream), -EINVAL);
    }
    assert_null(stream);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(two_12_bit_values_in_three_bytes),
        cmocka_unit_test(widths_orders_and_signs),
        cmocka_unit_test(a_value_may_stand_anywhere_in_its_slot),
        cmocka_unit_test(columns_stand_in_the_boards_order),
        cmocka_unit_test(packed_scans_run_on_over_byte_boundaries),
        cmocka_unit_test(a_lost_packet_has_the_size_that_the_counter_says),
        cmocka_unit_test(a_counter_may_wrap),
        cmocka_unit_test(a_counter_that_falls_back_is_a_restart),
        cmocka_unit_test(a_packet_that_comes_twice_is_taken_once),
        cmocka_unit_test(a_flipped_bit_costs_its_packet),
        cmocka_unit_test(a_torn_packet_without_check_is_not_taken),
        cmocka_unit_test(headers_within_values_do_not_mislead),
        cmocka_unit_test(a_hole_is_told_by_the_counter_or_as_unknown),
        cmocka_unit_test(nothing_is_told_across_a_restart),
        cmocka_unit_test(a_layout_that_looks_beyond_its_packet_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
