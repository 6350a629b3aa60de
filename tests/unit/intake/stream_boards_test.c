// SPDX-License-Identifier: Apache-2.0
/*
 * stream_boards_test.c - stream boards from the port to the memory ring, on real pseudo-terminals:
 * they connect, vanish, come back, fall silent, babble, lose scans on the wire and in this
 * computer.
 */
#include "cmocka_helper.h"
#include "intake_helper.h"

#include "drivers.h"
#include "record.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static struct board_driver
    packet; /* packet-serial, with a shorter patience where a test needs it */

static int set_up(void **state) {
    const struct board_driver *driver = drivers_find("packet-serial");
    if (driver == NULL)
        return -1;
    packet = *driver;
    *state = rig_new();
    return 0;
}

static int tear_down(void **state) {
    rig_free(*state);
    return 0;
}

/* One board, plugged in, streaming its first `scans` scans. */
static void stream_one(struct rig *rig, struct played *played, unsigned scans) {
    played_init(played, rig, "logger", 3);
    played_plug(played);
    rig_add(rig, "logger", &packet, played->link);
    rig_start(rig);
    WAIT_UNTIL(played, 1, played->started);
    played_send(played, scans);
    WAIT_UNTIL(played, 1, rig_told(rig, 0).scans == scans);
}

static void finish(struct rig *rig, struct played *played) {
    intake_stop(rig->intake);
    played_unplug(played);
}

static void every_scan_arrives(void **state) {
    struct rig *rig = *state;
    struct played played;
    stream_one(rig, &played, 5000);
    struct intake_status status = rig_status(rig, 0);
    struct told told = rig_told(rig, 0);
    assert_string_equal(status.board, "logger");
    assert_int_equal(status.state, INTAKE_STREAMING);
    assert_string_equal(status.why, "");
    assert_int_equal(status.epoch, 7); /* settings.first_epoch */
    assert_int_equal(status.scans, 5000);
    assert_int_equal(status.scans_lost + status.losses_unknown + status.reconnects, 0);
    assert_true(status.claimed_hz == 1000.0);
    assert_true(status.results[BOARD_OK] > 0 && status.bytes > 5000 * 9);
    assert_int_equal(told.described, 1);
    assert_int_equal(told.state[0], INTAKE_OPENING);
    assert_int_equal(told.state[1], INTAKE_STREAMING);
    assert_non_null(strstr(told.text[1], "board logger: streaming 3 inputs, 1000 scans/s"));
    assert_non_null(strstr(told.text[1], "played board 1"));

    intake_stop(rig->intake);
    played_answer(&played);
    assert_int_equal(played.requests[WIRE_REQUEST_STOP], 1); /* asked to stop at the end */
    struct stored *stored = stored_take(rig);
    stored_check(stored, 0);
    assert_int_equal(stored_scans(stored, 0), 5000);

    /* All inputs are there, not only those a channel uses. */
    int32_t *counts = calloc(65536, sizeof *counts);
    assert_non_null(counts);
    const struct chunk *block = stored_first(stored, 0, CHUNK_BLOCK);
    stored_counts(block, 2, counts);
    for (uint32_t scan = 0; scan < block->scans; scan++)
        assert_int_equal(counts[scan], 2000 + scan % 50);
    free(counts);
    stored_free(stored);
    played_unplug(&played);
}

static void vanishes_and_comes_back(void **state) {
    struct rig *rig = *state;
    struct played played;
    stream_one(rig, &played, 1000);
    for (uint64_t round = 1; round <= 2; round++) {
        played_unplug(&played);
        WAIT_UNTIL(&played, 1, rig_status(rig, 0).state == INTAKE_WAITING);
        assert_non_null(strstr(rig_status(rig, 0).why, "has gone"));
        assert_non_null(strstr(rig_status(rig, 0).why, played.link));
        assert_int_equal(rig_status(rig, 0).losses_unknown, round);

        /* Several attempts fail meanwhile; nothing more is said of them. */
        unsigned waited = 0;
        while (waited < 400)
            play(&played, 1, &waited);
        assert_int_equal(rig_events(rig, 0, INTAKE_WAITING), round);

        played_plug(&played); /* another node, the same link */
        WAIT_UNTIL(&played, 1, played.started);
        played_send(&played, 1000);
        WAIT_UNTIL(&played, 1, rig_told(rig, 0).scans == 1000 * (round + 1));
        assert_int_equal(rig_status(rig, 0).state, INTAKE_STREAMING);
        assert_int_equal(rig_status(rig, 0).reconnects, round);
        assert_int_equal(rig_status(rig, 0).epoch, 7 + round);
    }
    assert_int_equal(rig_told(rig, 0).described, 1); /* the same board: nothing new to fit */
    assert_int_equal(rig_told(rig, 0).runs_after_loss, 2);
    finish(rig, &played);
    struct stored *stored = stored_take(rig);
    stored_check(stored, 0);
    assert_int_equal(stored_scans(stored, 0), 3000);
    uint64_t scans;
    const char *reason;
    size_t length;
    const struct chunk *loss = stored_first(stored, 0, CHUNK_LOSS);
    assert_int_equal(chunk_parse_loss(loss, &scans, &reason, &length), 0);
    assert_true(scans == RECORD_LOSS_UNKNOWN);
    assert_int_equal(loss->place.epoch, 7);
    assert_true(loss->place.first_scan == 1000);
    assert_memory_equal(reason, "connection lost", length);
    stored_free(stored);
}

static void missing_at_first(void **state) {
    struct rig *rig = *state;
    struct played played;
    played_init(&played, rig, "logger", 2);
    rig_add(rig, "logger", &packet, played.link);
    rig_start(rig);
    WAIT_UNTIL(&played, 1, rig_events(rig, 0, INTAKE_WAITING) == 1);
    assert_non_null(strstr(rig_told(rig, 0).text[0], played.link));
    assert_non_null(strstr(rig_status(rig, 0).why, "is not there now"));
    played_plug(&played);
    WAIT_UNTIL(&played, 1, played.started);
    played_send(&played, 100);
    WAIT_UNTIL(&played, 1, rig_told(rig, 0).scans == 100);
    assert_int_equal(rig_status(rig, 0).reconnects, 0); /* it is there for the first time */
    finish(rig, &played);
}

static void silence_is_noticed_and_the_port_opened_again(void **state) {
    struct rig *rig = *state;
    struct played played;
    packet.silence_limit_s = 0.3;
    packet.again = NULL; /* so that what comes afterwards is asked by a new start */
    stream_one(rig, &played, 500);
    played.mute = true;
    WAIT_UNTIL(&played, 1, rig_status(rig, 0).state == INTAKE_SILENT);
    assert_non_null(strstr(rig_status(rig, 0).why, "nothing has come for 0.3 s"));
    unsigned starts = played.requests[WIRE_REQUEST_START];
    WAIT_UNTIL(&played, 1, played.requests[WIRE_REQUEST_START] >= starts + 2); /* opened again */
    assert_int_equal(rig_events(rig, 0, INTAKE_SILENT), 1); /* and again, but said once */
    assert_int_equal(rig_events(rig, 0, INTAKE_OPENING), 1);

    played.mute = false;
    uint64_t before = rig_told(rig, 0).scans;
    unsigned waited = 0;
    while (rig_told(rig, 0).scans == before) { /* sends all the time: silence is over */
        played_send(&played, 10);
        play(&played, 1, &waited);
    }
    assert_int_equal(rig_status(rig, 0).state, INTAKE_STREAMING);
    assert_true(rig_status(rig, 0).losses_unknown == 1);
    finish(rig, &played);
}

static void nonsense_is_named(void **state) {
    struct rig *rig = *state;
    struct played played;
    stream_one(rig, &played, 500);
    /* A line at the wrong baud rate: bytes without any packet in them. */
    uint8_t noise[64];
    for (size_t i = 0; i < sizeof noise; i++)
        noise[i] = (uint8_t)(i * 37 + 11);
    unsigned waited = 0;
    while (rig_status(rig, 0).state != INTAKE_NONSENSE) {
        played_write(&played, noise, sizeof noise);
        nanosleep(&(struct timespec){0, 2000000}, NULL);
        assert_true(++waited < 15000);
    }
    const char *why = rig_status(rig, 0).why;
    assert_non_null(strstr(why, "bytes arrive, none make sense: try baud 9600, 19200,"));
    assert_non_null(strstr(why, "; now 115200"));
    assert_null(strstr(why, "115200,")); /* not to be tried: it is what was tried */
    played_write(&played, "", 1);        /* ends the garbage */
    played_send(&played, 500);
    WAIT_UNTIL(&played, 1, rig_status(rig, 0).state == INTAKE_STREAMING);
    assert_int_equal(rig_events(rig, 0, INTAKE_NONSENSE), 1);
    finish(rig, &played);
}

static void text_is_no_wrong_baud_rate(void **state) {
    static const uint8_t text[] = "battery 12.4 V, all is well\r\n";
    struct rig *rig = *state;
    struct played played;
    stream_one(rig, &played, 500);
    unsigned waited = 0;
    while (rig_status(rig, 0).state != INTAKE_NONSENSE) {
        played_write(&played, text, sizeof text - 1);
        nanosleep(&(struct timespec){0, 2000000}, NULL);
        assert_true(++waited < 15000);
    }
    assert_non_null(strstr(rig_status(rig, 0).why, "text arrives, but not the scans"));
    assert_null(strstr(rig_status(rig, 0).why, "try baud"));
    finish(rig, &played);
}

static void lost_packets_are_counted_exactly(void **state) {
    struct rig *rig = *state;
    struct played played;
    stream_one(rig, &played, 500);
    played_lose(&played, 130);
    played_send(&played, 500);
    played_lose(&played, 10);
    played_send(&played, 200);
    WAIT_UNTIL(&played, 1, rig_told(rig, 0).scans == 1200);
    struct intake_status status = rig_status(rig, 0);
    assert_int_equal(status.scans_lost, 140);
    assert_int_equal(status.losses[BOARD_LOSS_PACKET], 140);
    assert_int_equal(status.losses_unknown, 0);
    assert_int_equal(status.epoch, 7);
    assert_int_equal(rig_told(rig, 0).lost, 140);
    assert_int_equal(rig_told(rig, 0).runs_after_loss, 2);
    finish(rig, &played);
    struct stored *stored = stored_take(rig);
    stored_check(stored, 0); /* the losses stand where the numbers jump */
    assert_int_equal(stored_scans(stored, 0), 1200);
    stored_free(stored);
}

static void restarted_board_begins_an_epoch(void **state) {
    struct rig *rig = *state;
    struct played played;
    stream_one(rig, &played, 500);
    played.wire.boot_id++;
    uint8_t bytes[WIRE_PACKET_MAX];
    assert_int_equal(wire_encoder_begin(&played.encoder, &played.wire, 10), 0);
    played_write(&played, bytes, wire_encoder_describe(&played.encoder, bytes));
    played_send(&played, 300);
    WAIT_UNTIL(&played, 1, rig_told(rig, 0).scans == 800);
    assert_int_equal(rig_status(rig, 0).losses_unknown, 1);
    assert_int_equal(rig_status(rig, 0).epoch, 8);
    assert_int_equal(rig_told(rig, 0).lost_unknown, 1);
    finish(rig, &played);
    struct stored *stored = stored_take(rig);
    stored_check(stored, 0);
    stored_free(stored);
}

static void comes_back_with_other_inputs(void **state) {
    struct rig *rig = *state;
    struct played played;
    stream_one(rig, &played, 500);
    played_unplug(&played);
    WAIT_UNTIL(&played, 1, rig_status(rig, 0).state == INTAKE_WAITING);
    played.wire.inputs = 5;
    played.wire.boot_id++;
    played_plug(&played);
    WAIT_UNTIL(&played, 1, played.started);
    played_send(&played, 500);
    WAIT_UNTIL(&played, 1, rig_told(rig, 0).scans == 1000);
    assert_int_equal(rig_told(rig, 0).described, 2);
    finish(rig, &played);
    struct stored *stored = stored_take(rig);
    stored_check(stored, 0);
    size_t inputs = 0;
    for (size_t i = 0; i < stored->count; i++)
        if (stored->chunk[i].type == CHUNK_BLOCK)
            assert_int_equal(chunk_block_inputs(&stored->chunk[i], &inputs), 0);
    assert_int_equal(inputs, 5);
    stored_free(stored);
}

/* The tap holds the pipeline up until the byte ring runs over. */
static uint64_t overflow(struct rig *rig, struct played *played, void (*send)(struct played *)) {
    atomic_store(&rig->hold, true);
    send(played);
    sem_wait(&rig->held);
    unsigned waited = 0;
    while (rig_status(rig, 0).bytes_dropped < 20000) {
        send(played);
        assert_true(++waited < 100000);
    }
    sem_post(&rig->release);
    uint64_t scans = rig_told(rig, 0).scans;
    for (waited = 0; rig_status(rig, 0).epoch == 7 && rig_status(rig, 0).scans_lost == 0;) {
        send(played); /* until it flows again */
        assert_true(++waited < 100000);
    }
    return scans;
}

static void send_packets(struct played *played) {
    played_send(played, 100);
}

static void overflow_is_exact_where_the_wire_counts(void **state) {
    struct rig *rig = *state;
    struct played played;
    rig->settings.byte_ring_s = 0.001; /* the least it can be */
    stream_one(rig, &played, 500);
    (void)overflow(rig, &played, send_packets);
    uint64_t sent = (uint64_t)played.value;
    WAIT_UNTIL(&played, 1, rig_told(rig, 0).scans + rig_told(rig, 0).lost >= sent);
    assert_int_equal(rig_told(rig, 0).scans + rig_told(rig, 0).lost, sent);
    assert_int_equal(rig_status(rig, 0).losses_unknown, 0);
    assert_int_equal(rig_status(rig, 0).epoch, 7);
    finish(rig, &played);
    struct stored *stored = stored_take(rig);
    stored_check(stored, 0);
    stored_free(stored);
}

static void send_lines(struct played *played) {
    char line[64];
    for (int i = 0; i < 100; i++) {
        int length = snprintf(line, sizeof line, "%d,%d\n", played->value % 1000, 512);
        played->value++;
        played_write(played, line, (size_t)length);
    }
}

static void overflow_is_unknown_where_nothing_counts(void **state) {
    struct rig *rig = *state;
    struct played played;
    static const struct board_setting rate = {"rate", "1000"};
    static struct board_driver text; /* used until the rig is freed */
    text = *drivers_find("text-serial");
    text.boot_delay_s = 0.0;
    rig->settings.byte_ring_s = 0.001;
    played_init(&played, rig, "logger", 2);
    played_plug(&played);
    rig_add(rig, "logger", &text, played.link);
    rig->boards[0].settings = (struct board_settings){.count = 1, .setting = &rate};
    rig_start(rig);
    unsigned waited = 0;
    while (rig_told(rig, 0).scans < 500) {
        send_lines(&played);
        play(&played, 1, &waited);
    }
    (void)overflow(rig, &played, send_lines);
    assert_int_equal(rig_status(rig, 0).epoch, 8);
    assert_int_equal(rig_status(rig, 0).losses_unknown, 1);
    assert_int_equal(rig_status(rig, 0).scans_lost, 0);
    finish(rig, &played);
}

static void several_boards(void **state) {
    struct rig *rig = *state;
    struct played played[3];
    static const char *const names[] = {"front", "rear", "bench"};
    for (size_t i = 0; i < 3; i++) {
        played_init(&played[i], rig, names[i], (uint8_t)(i + 1));
        played_plug(&played[i]);
        rig_add(rig, names[i], &packet, played[i].link);
    }
    rig_start(rig);
    WAIT_UNTIL(played, 3, played[0].started && played[1].started && played[2].started);
    for (int round = 0; round < 20; round++)
        for (size_t i = 0; i < 3; i++)
            played_send(&played[i], 50 * (unsigned)(i + 1));
    for (size_t i = 0; i < 3; i++)
        WAIT_UNTIL(played, 3, rig_told(rig, i).scans == 1000 * (i + 1));
    played_unplug(&played[1]); /* the others do not notice */
    WAIT_UNTIL(played, 3, rig_status(rig, 1).state == INTAKE_WAITING);
    assert_int_equal(rig_status(rig, 0).state, INTAKE_STREAMING);
    assert_int_equal(rig_status(rig, 2).state, INTAKE_STREAMING);
    assert_int_equal(intake_boards(rig->intake), 3);
    assert_false(intake_ended(rig->intake));
    intake_stop(rig->intake);
    struct stored *stored = stored_take(rig);
    for (uint16_t i = 0; i < 3; i++) {
        stored_check(stored, i);
        assert_int_equal(stored_scans(stored, i), 1000 * (i + 1));
        played_unplug(&played[i]);
    }
    stored_free(stored);
}

static void flush_closes_open_blocks(void **state) {
    struct rig *rig = *state;
    struct played played;
    rig->settings.block_s = 3600.0;
    stream_one(rig, &played, 300);
    struct stored *stored = stored_take(rig);
    assert_int_equal(stored->count, 0); /* all still in the open block */
    stored_free(stored);

    assert_int_equal(intake_flush(rig->intake, 10000), 0);
    stored = stored_take(rig);
    assert_int_equal(stored_scans(stored, 0), 300);
    stored_free(stored);
    assert_int_equal(intake_flush(rig->intake, 10000), 0); /* nothing open: done at once */
    finish(rig, &played);
    assert_int_equal(intake_flush(rig->intake, 10000), 0); /* nothing runs */
}

static void urgent_blocks_are_short(void **state) {
    struct rig *rig = *state;
    struct played played;
    rig->settings.block_s = 3600.0;
    rig->settings.urgent_block_s = 0.05;
    stream_one(rig, &played, 100);
    intake_urgent(rig->intake, true);
    WAIT_UNTIL(&played, 1, memory_ring_state(rig->memory).blocks_put == 1);
    for (uint64_t block = 2; block < 5; block++) {
        played_send(&played, 100);
        WAIT_UNTIL(&played, 1, memory_ring_state(rig->memory).blocks_put == block);
    }
    intake_urgent(rig->intake, false);
    finish(rig, &played);
}

static void asks_again_when_a_request_was_lost(void **state) {
    struct rig *rig = *state;
    struct played played;
    played_init(&played, rig, "logger", 1);
    played.mute = true;
    packet.silence_limit_s = 0.0;
    played_plug(&played);
    rig_add(rig, "logger", &packet, played.link);
    rig_start(rig);
    WAIT_UNTIL(&played, 1, played.requests[WIRE_REQUEST_DESCRIBE] >= 1);
    assert_int_equal(rig_status(rig, 0).state, INTAKE_OPENING);
    played.mute = false; /* the first request went by unheard */
    WAIT_UNTIL(&played, 1, played.started);
    played_send(&played, 10);
    WAIT_UNTIL(&played, 1, rig_told(rig, 0).scans == 10);
    finish(rig, &played);
}

static void stops_while_it_waits(void **state) {
    struct rig *rig = *state;
    rig_add(rig, "missing", &packet, "/tmp/intake-test-no-such-port");
    rig_add(rig, "unknown", &packet, "NO-SUCH-SERIAL-NUMBER");
    rig_start(rig);
    intake_stop(rig->intake);
    intake_stop(rig->intake); /* twice does no harm */
    assert_int_equal(rig_told(rig, 0).scans, 0);
}

static void names_of_states(void **state) {
    (void)state;
    assert_string_equal(intake_board_state_name(INTAKE_WAITING), "waiting");
    assert_string_equal(intake_board_state_name(INTAKE_NONSENSE), "nonsense");
    assert_string_equal(intake_board_state_name(INTAKE_REFUSED), "refused");
}

#define TEST(function) cmocka_unit_test_setup_teardown(function, set_up, tear_down)

int main(void) {
    const struct CMUnitTest tests[] = {
        TEST(every_scan_arrives),
        TEST(vanishes_and_comes_back),
        TEST(missing_at_first),
        TEST(silence_is_noticed_and_the_port_opened_again),
        TEST(nonsense_is_named),
        TEST(text_is_no_wrong_baud_rate),
        TEST(lost_packets_are_counted_exactly),
        TEST(restarted_board_begins_an_epoch),
        TEST(comes_back_with_other_inputs),
        TEST(overflow_is_exact_where_the_wire_counts),
        TEST(overflow_is_unknown_where_nothing_counts),
        TEST(several_boards),
        TEST(flush_closes_open_blocks),
        TEST(urgent_blocks_are_short),
        TEST(asks_again_when_a_request_was_lost),
        TEST(stops_while_it_waits),
        cmocka_unit_test(names_of_states),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
