// SPDX-License-Identifier: Apache-2.0
/*
 * packet_serial_test.c - the driver packet-serial: the bytes of docs/wire.md, and every damage we
 * could think of. What must hold throughout: no scan that was not sent, and every scan either
 * given or told as lost, in its place.
 */
#include "cmocka_helper.h"
#include "drivers.h"
#include "stream_helper.h"
#include "wire_encoder.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct stream *open_packets(void) {
    return stream_open(drivers_find("packet-serial"), NULL);
}

/* Packets of one board, one input of 16 bits, whose counts are the low bits of the scan number. */
struct sender {
    struct wire_encoder encoder;
    uint8_t packet[WIRE_PACKET_MAX];
    size_t length;
};

static void begin_sender(struct sender *sender, uint32_t boot_id, uint32_t first) {
    const struct wire_board board = {
        .boot_id = boot_id, .rate_millihz = 1000000, .inputs = 1, .bits = 16, .name = "sender"};
    assert_int_equal(wire_encoder_begin(&sender->encoder, &board, 4), 0);
    sender->encoder.next_scan = first;
}

static void describe(struct sender *sender) {
    sender->length = wire_encoder_describe(&sender->encoder, sender->packet);
}

/* The next packet of four scans, into sender->packet. */
static void next(struct sender *sender) {
    sender->length = 0;
    for (uint32_t i = 0; !sender->length; i++) {
        int32_t count = (int32_t)(uint16_t)(sender->encoder.next_scan + i);
        sender->length = wire_encoder_scan(&sender->encoder, &count, sender->packet);
    }
}

static enum board_result pass(struct stream *stream, const struct sender *sender) {
    return stream_bytes(stream, sender->packet, sender->length);
}

static struct stream *open_described(struct sender *sender, uint32_t first) {
    struct stream *stream = open_packets();
    begin_sender(sender, 0x12345678, first);
    describe(sender);
    assert_int_equal(pass(stream, sender), BOARD_OK);
    stream_forget(stream);
    return stream;
}

/* ---- the page ---- */

#define STORY "described;2650,0,4095;2651,1,4094;lost 10 overrun;2652,2,4093;"

static size_t read_story(uint8_t *bytes, size_t size) {
    size_t count = stream_example("description", bytes, size);
    count += stream_example("scans", bytes + count, size - count);
    return count + stream_example("scans-after-drop", bytes + count, size - count);
}

static void worked_bytes_say_what_the_page_says(void **state) {
    (void)state;
    uint8_t bytes[256];
    struct stream *stream = open_packets();
    assert_int_equal(stream_bytes(stream, bytes, read_story(bytes, sizeof bytes)), BOARD_OK);
    assert_string_equal(stream->told, STORY);
    const struct board_description *description = &stream->description;
    assert_int_equal(description->inputs, 3);
    assert_string_equal(description->identity, "bench board 7");
    assert_true(fabs(description->rate_hz - 2000) < 1e-9);
    assert_true(fabs(description->skew_s - 10e-6) < 1e-12);
    for (size_t i = 0; i < 3; i++) {
        assert_int_equal(description->bits[i], 12);
        assert_int_equal(description->rail_low[i], 0);
        assert_int_equal(description->rail_high[i], 4095);
        assert_true(fabs(description->volts_per_count[i] - 3.3 / 4096) < 1e-12);
    }
    stream_close(stream);
}

static void requests_are_those_of_the_page(void **state) {
    (void)state;
    struct stream *stream = open_packets();
    struct board_bytes request;
    uint8_t example[32], expected[32] = {0};
    size_t count = 1 + stream_example("describe", expected + 1, 16);
    count += stream_example("start", expected + count, 16);
    assert_int_equal(stream->driver->start(stream->board, &request), 0);
    assert_int_equal(request.count, count);
    assert_memory_equal(request.byte, expected, count);
    assert_int_equal(stream->driver->again(stream->board, &request), 0);
    assert_memory_equal(request.byte, expected, count);
    count = stream_example("stop", example, sizeof example);
    assert_int_equal(stream->driver->stop(stream->board, &request), 0);
    assert_int_equal(request.count, 1 + count);
    assert_int_equal(request.byte[0], 0);
    assert_memory_equal(request.byte + 1, example, count);
    stream_close(stream);
}

static void pieces_of_any_size_give_the_same(void **state) {
    (void)state;
    uint8_t bytes[256];
    size_t count = read_story(bytes, sizeof bytes);
    for (size_t piece = 1; piece <= count; piece++) {
        struct stream *stream = open_packets();
        assert_int_equal(stream_pieces(stream, bytes, count, piece), BOARD_OK);
        assert_string_equal(stream->told, STORY);
        stream_close(stream);
    }
    for (size_t cut = 0; cut <= count; cut++) {
        struct stream *stream = open_packets();
        stream_bytes(stream, bytes, cut);
        stream_bytes(stream, bytes + cut, count - cut);
        assert_string_equal(stream->told, STORY);
        stream_close(stream);
    }
}

/* ---- damage ---- */

/*
 * Passes `bytes` in place of the second of four packets and asserts that the driver gives the
 * other three and tells the second as a loss of four scans.
 */
static void assert_only_that_packet_is_lost(const uint8_t *bytes, size_t count,
                                            const char *reason) {
    struct sender sender;
    struct stream *stream = open_described(&sender, 0);
    next(&sender);
    pass(stream, &sender);
    next(&sender);
    stream_bytes(stream, bytes, count);
    assert_string_equal(stream->told, "0;1;2;3;");
    next(&sender);
    pass(stream, &sender);
    next(&sender);
    pass(stream, &sender);
    char expected[100];
    snprintf(expected, sizeof expected, "0;1;2;3;lost 4 %s;8;9;10;11;12;13;14;15;", reason);
    assert_string_equal(stream->told, expected);
    stream_close(stream);
}

static size_t second_packet(uint8_t *bytes) {
    struct sender sender;
    begin_sender(&sender, 0x12345678, 4);
    next(&sender);
    memcpy(bytes, sender.packet, sender.length);
    return sender.length;
}

static void no_flipped_bit_gives_a_wrong_scan(void **state) {
    (void)state;
    uint8_t bytes[WIRE_PACKET_MAX];
    size_t count = second_packet(bytes);
    for (size_t bit = 0; bit < 8 * (count - 1); bit++) { /* the delimiter has its own test */
        bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
        assert_only_that_packet_is_lost(bytes, count, "damaged");
        bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
    }
}

static void no_two_flipped_bits_give_a_wrong_scan(void **state) {
    (void)state;
    uint8_t bytes[WIRE_PACKET_MAX];
    size_t count = second_packet(bytes);
    for (size_t one = 0; one < 8 * (count - 1); one++)
        for (size_t other = one + 1; other < 8 * (count - 1); other += 7) {
            bytes[one / 8] ^= (uint8_t)(1u << one % 8);
            bytes[other / 8] ^= (uint8_t)(1u << other % 8);
            assert_only_that_packet_is_lost(bytes, count, "damaged");
            bytes[one / 8] ^= (uint8_t)(1u << one % 8);
            bytes[other / 8] ^= (uint8_t)(1u << other % 8);
        }
}

static void a_cut_packet_is_an_exact_loss(void **state) {
    (void)state;
    uint8_t bytes[WIRE_PACKET_MAX];
    size_t count = second_packet(bytes);
    assert_only_that_packet_is_lost(bytes, 0, "packet lost");
    for (size_t cut = 1; cut + 1 < count; cut++) {
        uint8_t end = bytes[cut];
        bytes[cut] = 0;
        assert_only_that_packet_is_lost(bytes, cut + 1, "damaged");
        bytes[cut] = end;
    }
    for (size_t from = 1; from + 1 < count; from++)
        assert_only_that_packet_is_lost(bytes + from, count - from, "damaged");
}

static void a_damaged_delimiter_costs_both_neighbours(void **state) {
    (void)state;
    struct sender sender;
    struct stream *stream = open_described(&sender, 0);
    for (int i = 0; i < 4; i++) {
        next(&sender);
        if (i == 1)
            sender.packet[sender.length - 1] = 0x20;
        pass(stream, &sender);
    }
    assert_string_equal(stream->told, "0;1;2;3;lost 8 damaged;12;13;14;15;");
    stream_close(stream);
}

static void results_name_the_damage(void **state) {
    (void)state;
    struct sender sender;
    struct stream *stream = open_described(&sender, 0);
    next(&sender);
    sender.packet[sender.length - 2] ^= 0x40;
    assert_int_equal(pass(stream, &sender), BOARD_BAD_CHECK);
    static const uint8_t cut_group[] = {0x05, 'a', 'b', 0x00};
    assert_int_equal(stream_bytes(stream, cut_group, sizeof cut_group), BOARD_BAD_LENGTH);
    static const uint8_t empty[] = {0x00, 0x00};
    assert_int_equal(stream_bytes(stream, empty, sizeof empty), BOARD_NEED_MORE);
    uint8_t babble[2000];
    memset(babble, 0x55, sizeof babble);
    assert_int_equal(stream_bytes(stream, babble, sizeof babble), BOARD_BAD_LENGTH);
    next(&sender);
    assert_int_equal(pass(stream, &sender), BOARD_NEED_MORE); /* the babble swallowed it */
    next(&sender);
    assert_int_equal(pass(stream, &sender), BOARD_OK);
    assert_string_equal(stream->told, "8;9;10;11;");
    stream_close(stream);
}

/* Packets made by hand, for what the encoder refuses to send. */
static enum board_result pass_payload(struct stream *stream, uint8_t *payload, size_t count) {
    uint8_t packet[WIRE_PACKET_MAX];
    uint16_t check = wire_check(0xFFFF, payload, count);
    payload[count] = (uint8_t)(check >> 8);
    payload[count + 1] = (uint8_t)check;
    return stream_bytes(stream, packet, wire_stuff(payload, count + 2, packet));
}

static void well_formed_nonsense_is_thrown_away(void **state) {
    (void)state;
    struct stream *stream = open_packets();
    uint8_t good[64], bytes[64];
    size_t count = stream_example("description-plain", good, sizeof good) - 2;
    stream_bytes(stream, (const uint8_t *)"", 1); /* joined */
    static const struct {
        size_t at;
        uint8_t value;
    } wrong[] = {{1, 0}, {1, 2}, {10, 0}, {10, 65}, {11, 7}, {11, 25}, {11, 0xFF}};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        memcpy(bytes, good, count);
        bytes[wrong[i].at] = wrong[i].value;
        assert_int_equal(pass_payload(stream, bytes, count), BOARD_INSANE_VALUE);
    }
    for (size_t cut = 1; cut < count; cut++) {
        memcpy(bytes, good, count);
        assert_int_equal(pass_payload(stream, bytes, cut), BOARD_BAD_LENGTH);
    }
    struct board_description description;
    assert_int_equal(stream->driver->describe(stream->board, &description), -EAGAIN);
    memcpy(bytes, good, count);
    bytes[count] = 0x77; /* a field of a later edition behind the name */
    assert_int_equal(pass_payload(stream, bytes, count + 1), BOARD_OK);
    assert_string_equal(stream->description.identity, "bench board 7");

    count = stream_example("scans-plain", good, sizeof good) - 2;
    memcpy(bytes, good, count);
    assert_int_equal(pass_payload(stream, bytes, count), BOARD_OK);
    for (size_t cut = 1; cut < count; cut++)
        if (cut != 15) { /* one whole scan: well formed, another packet */
            memcpy(bytes, good, count);
            assert_int_equal(pass_payload(stream, bytes, cut), BOARD_BAD_LENGTH);
        }
    memcpy(bytes, good, count);
    bytes[14] = 0x10; /* 4095 becomes 4351: not of 12 bits */
    assert_int_equal(pass_payload(stream, bytes, count), BOARD_INSANE_VALUE);
    uint8_t later[8] = {0x42, 1, 2, 3};
    assert_int_equal(pass_payload(stream, later, 4), BOARD_NEED_MORE);
    assert_string_equal(stream->told, "described;2650,0,4095;2651,1,4094;");
    stream_close(stream);
}

static void garbage_never_becomes_scans(void **state) {
    (void)state;
    struct sender sender;
    struct stream *stream = open_described(&sender, 0);
    uint32_t seed = 7;
    for (int round = 0; round < 2000; round++) {
        uint8_t bytes[200];
        for (size_t i = 0; i < sizeof bytes; i++) {
            seed = seed * 1664525u + 1013904223u;
            bytes[i] = (uint8_t)(seed >> 24);
        }
        stream_bytes(stream, bytes, sizeof bytes);
        static const uint8_t delimiter = 0;
        stream_bytes(stream, &delimiter, 1);
        next(&sender);
        pass(stream, &sender);
    }
    assert_int_equal(stream->scans, 8000);
    assert_int_equal(stream->lost, 0);
    assert_int_equal(stream->unknown, 0);
    stream_close(stream);
}

/* ---- the counter ---- */

static void a_joined_stream_begins_quietly(void **state) {
    (void)state;
    uint8_t bytes[256];
    size_t count = read_story(bytes, sizeof bytes);
    size_t description = stream_example("description", bytes, sizeof bytes);
    for (size_t from = 1; from < description - 1; from++) {
        struct stream *stream = open_packets();
        assert_int_equal(stream_bytes(stream, bytes + from, description - from), BOARD_RESYNC);
        assert_string_equal(stream->told, "");
        assert_int_equal(stream->results[BOARD_BAD_CHECK] + stream->results[BOARD_BAD_LENGTH], 0);
        stream_bytes(stream, bytes, count);
        assert_string_equal(stream->told, STORY);
        stream_close(stream);
    }
}

static void scans_before_a_description_do_not_count(void **state) {
    (void)state;
    struct stream *stream = open_packets();
    struct sender sender;
    begin_sender(&sender, 9, 0);
    next(&sender);
    assert_int_equal(pass(stream, &sender), BOARD_RESYNC);
    assert_int_equal(stream->alive, 1);
    describe(&sender);
    pass(stream, &sender);
    next(&sender);
    pass(stream, &sender);
    assert_string_equal(stream->told, "described;4;5;6;7;");
    describe(&sender); /* the same again, while it streams: nothing new */
    assert_int_equal(pass(stream, &sender), BOARD_OK);
    next(&sender);
    pass(stream, &sender);
    assert_string_equal(stream->told, "described;4;5;6;7;8;9;10;11;");
    stream_close(stream);
}

static void lost_packets_are_exact_losses(void **state) {
    (void)state;
    struct sender sender;
    struct stream *stream = open_described(&sender, 0);
    size_t sent = 0;
    for (int i = 0; i < 300; i++) {
        next(&sender);
        sent += 4;
        if (i == 0 || (i % 7 && i % 11 != 3) || i == 299)
            pass(stream, &sender);
    }
    assert_int_equal(stream->scans + stream->lost, sent);
    assert_true(stream->lost > 200);
    assert_int_equal(stream->unknown, 0);
    stream_close(stream);
}

static void drops_of_the_board_are_told_apart(void **state) {
    (void)state;
    struct sender sender;
    struct stream *stream = open_described(&sender, 0);
    next(&sender);
    pass(stream, &sender);
    next(&sender); /* lost on the line */
    assert_int_equal(wire_encoder_skip(&sender.encoder, 5, sender.packet), 0);
    next(&sender);
    pass(stream, &sender);
    assert_string_equal(stream->told, "0;1;2;3;lost 4 packet lost;lost 5 overrun;13;14;15;16;");
    stream_forget(stream);
    wire_encoder_skip(&sender.encoder, 6, sender.packet);
    next(&sender); /* lost itself: nobody tells that the board dropped, the number is still right */
    next(&sender);
    pass(stream, &sender);
    assert_string_equal(stream->told, "lost 10 packet lost;27;28;29;30;");
    stream_close(stream);
}

static void a_packet_twice_costs_nothing(void **state) {
    (void)state;
    struct sender sender;
    struct stream *stream = open_described(&sender, 0);
    struct sender old[6];
    for (size_t i = 0; i < 6; i++) {
        next(&sender);
        old[i] = sender;
        pass(stream, &sender);
        assert_int_equal(pass(stream, &sender), BOARD_RESYNC);
    }
    for (size_t i = 0; i < 6; i++) /* a whole stretch once more */
        assert_int_equal(pass(stream, &old[i]), BOARD_RESYNC);
    next(&sender);
    pass(stream, &sender);
    assert_int_equal(stream->scans, 28);
    assert_int_equal(stream->lost + stream->unknown, 0);
    stream_close(stream);
}

static void the_counter_may_wrap(void **state) {
    (void)state;
    for (uint32_t before = 0; before < 12; before++) {
        struct sender sender;
        struct stream *stream = open_described(&sender, 0u - before);
        for (int i = 0; i < 5; i++) {
            next(&sender);
            if (i != 2)
                pass(stream, &sender);
        }
        assert_int_equal(stream->scans, 16);
        assert_int_equal(stream->lost, 4);
        assert_int_equal(stream->unknown, 0);
        stream_close(stream);
    }
}

static void a_new_boot_id_is_a_loss_of_unknown_size(void **state) {
    (void)state;
    struct sender sender;
    struct stream *stream = open_described(&sender, 1000);
    next(&sender);
    pass(stream, &sender);
    begin_sender(&sender, 0x9ABCDEF0, 0);
    next(&sender);
    assert_int_equal(pass(stream, &sender), BOARD_RESYNC); /* not yet described */
    describe(&sender);
    pass(stream, &sender);
    next(&sender);
    pass(stream, &sender);
    assert_string_equal(stream->told,
                        "1000;1001;1002;1003;lost ? board restarted;described;4;5;6;7;");
    stream_close(stream);
}

static void a_counter_that_begins_anew_is_found_out(void **state) {
    (void)state;
    static const uint32_t first[] = {0, 0x40000000, 0xC0000000, 99};
    for (size_t k = 0; k < sizeof first / sizeof first[0]; k++) {
        struct sender sender;
        struct stream *stream = open_described(&sender, 1000);
        next(&sender);
        pass(stream, &sender);
        stream_forget(stream);
        begin_sender(&sender, 0x12345678, first[k]);
        for (int i = 0; i < 10; i++) {
            next(&sender);
            pass(stream, &sender);
        }
        assert_int_equal(stream->unknown, 1);
        assert_int_equal(stream->lost, 0);
        assert_int_equal(stream->scans, 12); /* the eighth, ninth and tenth packet */
        assert_memory_equal(stream->told, "lost ? board restarted;", 23);
        stream_close(stream);
    }
}

static void one_leap_of_the_counter_is_passed_over(void **state) {
    (void)state;
    struct sender sender, leap;
    struct stream *stream = open_described(&sender, 1000);
    next(&sender);
    pass(stream, &sender);
    for (int i = 0; i < 20; i++) {
        begin_sender(&leap, 0x12345678, 0x70000000u + 1000u * (uint32_t)i);
        next(&leap);
        assert_int_equal(pass(stream, &leap), BOARD_RESYNC);
        if (i % 5 == 0) {
            next(&sender);
            pass(stream, &sender);
        }
    }
    next(&sender);
    pass(stream, &sender);
    assert_int_equal(stream->scans, 24);
    assert_int_equal(stream->lost + stream->unknown, 0);
    stream_close(stream);
}

static void start_forgets_the_counter_and_keeps_the_description(void **state) {
    (void)state;
    struct sender sender;
    struct stream *stream = open_described(&sender, 0);
    next(&sender);
    stream_bytes(stream, sender.packet, sender.length);
    next(&sender);
    stream_bytes(stream, sender.packet, 5); /* the port goes */
    struct board_bytes request;
    assert_int_equal(stream->driver->start(stream->board, &request), 0);
    for (int i = 0; i < 50; i++)
        next(&sender);
    pass(stream, &sender);
    assert_string_equal(stream->told, "0;1;2;3;204;205;206;207;");
    stream_close(stream);
}

static void a_rate_the_board_does_not_tell_comes_from_the_hookup(void **state) {
    (void)state;
    struct stream *stream = stream_open(drivers_find("packet-serial"), "rate=250", NULL);
    const struct wire_board board = {.boot_id = 1,
                                     .inputs = 2,
                                     .bits = 24,
                                     .is_signed = 1,
                                     .skew_ns = WIRE_SKEW_UNKNOWN,
                                     .name = NULL};
    struct wire_encoder encoder;
    uint8_t packet[WIRE_PACKET_MAX];
    assert_int_equal(wire_encoder_begin(&encoder, &board, 1), 0);
    stream_bytes(stream, packet, wire_encoder_describe(&encoder, packet));
    assert_true(fabs(stream->description.rate_hz - 250) < 1e-12);
    assert_true(isnan(stream->description.skew_s));
    assert_true(isnan(stream->description.volts_per_count[1]));
    assert_int_equal(stream->description.rail_low[1], -8388608);
    assert_int_equal(stream->description.rail_high[1], 8388607);
    assert_string_equal(stream->description.identity, "");
    stream_bytes(stream, packet, wire_encoder_describe(&encoder, packet)); /* NAN equals NAN */
    assert_int_equal(stream->described, 1);
    stream_close(stream);
}

static void close_takes_nothing(void **state) {
    (void)state;
    drivers_find("packet-serial")->close(NULL);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(worked_bytes_say_what_the_page_says),
        cmocka_unit_test(requests_are_those_of_the_page),
        cmocka_unit_test(pieces_of_any_size_give_the_same),
        cmocka_unit_test(no_flipped_bit_gives_a_wrong_scan),
        cmocka_unit_test(no_two_flipped_bits_give_a_wrong_scan),
        cmocka_unit_test(a_cut_packet_is_an_exact_loss),
        cmocka_unit_test(a_damaged_delimiter_costs_both_neighbours),
        cmocka_unit_test(results_name_the_damage),
        cmocka_unit_test(well_formed_nonsense_is_thrown_away),
        cmocka_unit_test(garbage_never_becomes_scans),
        cmocka_unit_test(a_joined_stream_begins_quietly),
        cmocka_unit_test(scans_before_a_description_do_not_count),
        cmocka_unit_test(lost_packets_are_exact_losses),
        cmocka_unit_test(drops_of_the_board_are_told_apart),
        cmocka_unit_test(a_packet_twice_costs_nothing),
        cmocka_unit_test(the_counter_may_wrap),
        cmocka_unit_test(a_new_boot_id_is_a_loss_of_unknown_size),
        cmocka_unit_test(a_counter_that_begins_anew_is_found_out),
        cmocka_unit_test(one_leap_of_the_counter_is_passed_over),
        cmocka_unit_test(start_forgets_the_counter_and_keeps_the_description),
        cmocka_unit_test(a_rate_the_board_does_not_tell_comes_from_the_hookup),
        cmocka_unit_test(close_takes_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
