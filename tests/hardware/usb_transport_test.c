// SPDX-License-Identifier: Apache-2.0
/*
 * usb_transport_test.c - the USB transport against boards that do everything wrong, one at a time.
 */
#include "arrival.h"
#include "cmocka_helper.h"
#include "mock_usb.h"
#include "transport.h"
#include "usb_devices.h"
#include "usb_plan.h"

#include <errno.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const struct board_id ids[] = {{.vendor = MOCK_VENDOR, .product = MOCK_PRODUCT}, {0}};
static const struct board_usb where = {.endpoint = 0x81};
static const struct board_requests start = {
    1, {{.control = true, .type = 0x40, .request = 1, .value = 1}}};
static const struct board_requests stop = {
    1, {{.control = true, .type = 0x40, .request = 1, .value = 0}}};
static struct transport_usb settings;

struct bench {
    struct mock_yard *yard;
    struct mock_usb *board;
    struct transport *transport;
    uint32_t next; /* counter expected */
    bool any;      /* `next` holds */
    uint8_t packet[MOCK_PACKET];
    size_t used;
};

static int set_up(void **state) {
    struct bench *bench = calloc(1, sizeof *bench);
    assert_non_null(bench);
    bench->yard = mock_yard_new();
    bench->board = mock_usb_new(bench->yard, 5, "CT0001");
    mock_usb_plug(bench->board);
    settings =
        (struct transport_usb){.usb = &where, .start = &start, .stop = &stop, .bytes_per_s = 600e3};
    *state = bench;
    return 0;
}

static int tear_down(void **state) {
    struct bench *bench = *state;
    transport_close(bench->transport);
    mock_yard_free(bench->yard);
    free(bench);
    return 0;
}

static int open_board(struct bench *bench) {
    struct usb_device device;
    int result = usb_devices_find(ids, NULL, &device);
    return result < 0 ? result : transport_open_usb(device.node, &settings, &bench->transport);
}

/* Reads once; whole packets follow each other, counted from `next`. The result of the read. */
static int read_on(struct bench *bench) {
    uint8_t bytes[5000]; /* no multiple of a packet */
    int result = transport_read(bench->transport, bytes, sizeof bytes, 1000);
    for (int i = 0; i < result; i++) {
        bench->packet[bench->used++] = bytes[i];
        if (bench->used < MOCK_PACKET)
            continue;
        uint32_t counter = 0;
        for (int k = 0; k < 4; k++)
            counter |= (uint32_t)bench->packet[2 + k] << 8 * k;
        if (bench->any)
            assert_int_equal(counter, bench->next);
        bench->next = counter + MOCK_SCANS;
        bench->any = true;
        bench->used = 0;
    }
    return result;
}

/* Reads until so many bytes have come without any error. */
static void read_bytes(struct bench *bench, size_t wanted) {
    for (size_t read = 0; read < wanted;) {
        int result = read_on(bench);
        assert_true(result > 0);
        read += (size_t)result;
    }
}

/* Reads until something else than bytes comes: that. */
static int read_to_failure(struct bench *bench) {
    for (int i = 0; i < 10000; i++) {
        int result = read_on(bench);
        if (result <= 0)
            return result;
    }
    return 1;
}

/* ---- arrival ---- */

static void *interrupt(void *arrival) {
    arrival_interrupt(arrival);
    return NULL;
}

static void what_is_plugged_in_is_told(void **state) {
    struct bench *bench = *state;
    struct arrival *arrival;
    pthread_t thread;
    mock_usb_unplug(bench->board);
    assert_int_equal(arrival_new(&arrival), 0);
    assert_false(arrival_wait(arrival, 20));
    mock_usb_plug(bench->board);
    assert_true(arrival_wait(arrival, 60000));
    mock_usb_unplug(bench->board); /* what goes away is nobody's arrival */
    assert_false(arrival_wait(arrival, 200));
    assert_int_equal(pthread_create(&thread, NULL, interrupt, arrival), 0);
    assert_false(arrival_wait(arrival, 600000));
    pthread_join(thread, NULL);
    arrival_free(arrival);
    arrival_free(NULL);
}

/* ---- finding ---- */

static void a_board_is_found_by_id_serial_number_or_port(void **state) {
    (void)state;
    struct usb_device device = {0};
    assert_int_equal(usb_devices_find(ids, NULL, &device), 0);
    assert_string_equal(device.port, "1-5");
    assert_string_equal(device.serial, "CT0001");
    assert_string_equal(device.node, "/dev/bus/usb/001/005");
    assert_string_equal(device.name, "counting board");
    assert_int_equal(usb_devices_find(ids, "CT0001", &device), 0);
    assert_int_equal(usb_devices_find(NULL, "1-5", &device), 0);
    assert_int_equal(usb_devices_find(ids, "CT0002", &device), -ENOENT);
    const struct board_id others[] = {{.vendor = 0x1209, .product = 3}, {0}};
    assert_int_equal(usb_devices_find(others, NULL, &device), -ENOENT);
    const struct board_id named[] = {
        {.vendor = MOCK_VENDOR, .product = MOCK_PRODUCT, .serial_pattern = "XY*"}, {0}};
    assert_int_equal(usb_devices_find(named, NULL, &device), -ENOENT);
}

static void two_alike_are_refused_with_their_list(void **state) {
    struct bench *bench = *state;
    struct mock_usb *twin = mock_usb_new(bench->yard, 7, "CT0002");
    mock_usb_plug(twin);
    struct usb_device device;
    char why[400];
    assert_int_equal(usb_devices_find(ids, NULL, &device), -ENOTUNIQ);
    usb_devices_explain(ids, NULL, -ENOTUNIQ, why, sizeof why);
    assert_non_null(strstr(why, "port 1-5 (serial number CT0001)"));
    assert_non_null(strstr(why, "port 1-7 (serial number CT0002)"));
    assert_int_equal(usb_devices_find(ids, "CT0002", &device), 0);
    assert_string_equal(device.port, "1-7");
}

/* ---- a good board ---- */

static void all_packets_come_in_order_and_nothing_is_left_behind(void **state) {
    struct bench *bench = *state;
    mock_usb_stale(bench->board, 100); /* more than one transfer of it */
    bench->any = true;                 /* the first must be number 0: the stale ones are gone */
    assert_int_equal(open_board(bench), 0);
    assert_string_equal(transport_remark(bench->transport), "");
    read_bytes(bench, 2000 * MOCK_PACKET);
    struct mock_seen seen = mock_usb_seen(bench->board);
    assert_int_equal(seen.claims, 1);
    assert_int_equal(seen.starts, 1);
    assert_int_equal(seen.resets, 0);
    /* 100 ms of 600 kB/s at least, in 8 to 16 transfers */
    assert_in_range(seen.transfers_most, 8, 16);
    assert_true(seen.queued_most >= 60000);
    transport_close(bench->transport);
    bench->transport = NULL;
    seen = mock_usb_seen(bench->board);
    assert_int_equal(seen.claims, 0);
    assert_int_equal(seen.stops, 2); /* before starting and at the end */
}

/* Packets that the bus lost in a row are one hole where they were, and nothing else is missing. */
static void lost_isochronous_packets_are_a_hole(void **state) {
    struct bench *bench = *state;
    static const struct board_usb there = {.endpoint = 0x81, .alternate = 1, .iso = true};
    mock_usb_unplug(bench->board);
    bench->board = mock_usb_new(bench->yard, 6, "CT0002");
    mock_usb_isochronous(bench->board);
    mock_usb_plug(bench->board);
    assert_int_equal(open_board(bench), -ENXIO); /* its endpoint is not bulk */
    settings.usb = &there;
    assert_int_equal(open_board(bench), 0);
    for (unsigned lost = 1; lost <= 3; lost++) {
        read_bytes(bench, 500000);
        mock_usb_fail(bench->board, MOCK_PROTOCOL_ERROR, lost);
        assert_int_equal(read_to_failure(bench), -EPIPE);
        bench->next += lost * MOCK_SCANS; /* read_on() holds the next packet against it */
    }
    read_bytes(bench, 500000);
    mock_usb_fail(bench->board, MOCK_PROTOCOL_ERROR, 100000);
    for (int i = 0, result; (result = read_to_failure(bench)) != -EIO; i++)
        assert_true(result == -EPIPE && i < 100);
}

static void an_isochronous_board_that_goes_is_gone(void **state) {
    struct bench *bench = *state;
    static const struct board_usb there = {.endpoint = 0x81, .alternate = 1, .iso = true};
    mock_usb_unplug(bench->board);
    bench->board = mock_usb_new(bench->yard, 6, "CT0002");
    mock_usb_isochronous(bench->board);
    mock_usb_plug(bench->board);
    settings.usb = &there;
    assert_int_equal(open_board(bench), 0);
    read_bytes(bench, 100000);
    mock_usb_unplug(bench->board);
    assert_int_equal(read_to_failure(bench), -ENODEV);
}

static void the_plan_keeps_to_its_rules(void **state) {
    (void)state;
    static const double rates[] = {0, 1e3, 600e3, 8e6, 40e6, 60e6, 400e6};
    static const size_t packets[] = {8, 64, 512, 1024};
    for (size_t i = 0; i < sizeof rates / sizeof rates[0]; i++)
        for (size_t k = 0; k < sizeof packets / sizeof packets[0]; k++) {
            struct usb_plan plan = usb_plan_for(rates[i], packets[k]);
            double queued = (double)(plan.transfers * plan.length);
            assert_in_range(plan.transfers, 8, 16);
            assert_true(plan.length > 0 && plan.length % packets[k] == 0);
            assert_true(queued <= 4194304);
            assert_true(queued >= 0.1 * rates[i] || queued >= 4194304 - 16 * 1024);
            while (usb_plan_halve(&plan, packets[k]))
                assert_true(plan.length > 0 && plan.length % packets[k] == 0);
            assert_int_equal(plan.length, packets[k]);
        }
    /* 100 ms of packets, each millisecond, microframe, or 32 ms. */
    static const struct {
        double interval_s;
        size_t packets;
    } iso[] = {{1e-3, 12}, {125e-6, 100}, {32e-3, 1}};
    for (size_t i = 0; i < sizeof iso / sizeof iso[0]; i++) {
        struct usb_plan plan = usb_plan_iso(iso[i].interval_s, 192);
        assert_int_equal(plan.transfers, 8);
        assert_int_equal(plan.length, iso[i].packets * 192);
    }
}

static void silence_and_interruption_end_a_read_with_nothing(void **state) {
    struct bench *bench = *state;
    assert_int_equal(open_board(bench), 0);
    read_bytes(bench, 10 * MOCK_PACKET);
    mock_usb_hush(bench->board, true);
    assert_int_equal(read_to_failure(bench), 0);
    transport_interrupt(bench->transport);
    assert_int_equal(transport_read(bench->transport, bench->packet, 1, 60000), 0);
    mock_usb_hush(bench->board, false);
    read_bytes(bench, 10 * MOCK_PACKET);
}

/* ---- noise ---- */

static void a_lost_transfer_is_a_hole_and_the_flow_goes_on(void **state) {
    struct bench *bench = *state;
    static const enum mock_fault faults[] = {MOCK_PROTOCOL_ERROR, MOCK_OVERFLOW};
    assert_int_equal(open_board(bench), 0);
    for (size_t i = 0; i < 2; i++) {
        read_bytes(bench, 50 * MOCK_PACKET);
        mock_usb_fail(bench->board, faults[i], 1);
        assert_int_equal(read_to_failure(bench), -EPIPE);
        uint32_t before = bench->next;
        bench->any = false;
        read_bytes(bench, 2 * MOCK_PACKET);
        assert_true(bench->next > before + 2 * MOCK_SCANS);
    }
}

static void errors_without_end_are_a_failure(void **state) {
    struct bench *bench = *state;
    assert_int_equal(open_board(bench), 0);
    read_bytes(bench, 50 * MOCK_PACKET);
    mock_usb_fail(bench->board, MOCK_PROTOCOL_ERROR, 1000);
    int holes = 0;
    int result;
    while ((result = read_to_failure(bench)) == -EPIPE)
        holes++;
    assert_int_equal(result, -EIO);
    assert_in_range(holes, 7, 15); /* one less than there are transfers */
}

static void a_stall_is_cleared_and_three_are_a_failure(void **state) {
    struct bench *bench = *state;
    assert_int_equal(open_board(bench), 0);
    for (unsigned stalls = 1; stalls <= 3; stalls++) {
        bench->any = false;
        bench->used = 0;
        read_bytes(bench, 50 * MOCK_PACKET);
        mock_usb_fail(bench->board, MOCK_STALL, 4);
        assert_int_equal(read_to_failure(bench), stalls < 3 ? -EPIPE : -EIO);
        mock_usb_fail(bench->board, MOCK_STALL, 0);
        assert_int_equal(mock_usb_seen(bench->board).halts_cleared, stalls < 3 ? stalls : 2);
    }
}

/* ---- gone ---- */

static void an_unplugged_board_is_gone_for_good(void **state) {
    struct bench *bench = *state;
    assert_int_equal(open_board(bench), 0);
    read_bytes(bench, 50 * MOCK_PACKET);
    mock_usb_unplug(bench->board);
    assert_int_equal(read_to_failure(bench), -ENODEV);
    assert_int_equal(read_on(bench), -ENODEV);
    transport_close(bench->transport);
    bench->transport = NULL;
    assert_int_equal(open_board(bench), -ENOENT);
}

static void it_may_be_closed_in_full_flow_twenty_times(void **state) {
    struct bench *bench = *state;
    for (unsigned i = 1; i <= 20; i++) {
        bench->any = false;
        bench->used = 0;
        assert_int_equal(open_board(bench), 0);
        read_bytes(bench, 20 * MOCK_PACKET);
        transport_close(bench->transport);
        bench->transport = NULL;
        assert_int_equal(mock_usb_seen(bench->board).claims, 0);
    }
}

/* ---- it cannot be opened ---- */

static void assert_refused(struct bench *bench, int error, const char *why_part) {
    char why[400];
    assert_int_equal(open_board(bench), error);
    assert_null(bench->transport);
    usb_devices_explain(ids, NULL, error, why, sizeof why);
    if (!strstr(why, why_part))
        fail_msg("\"%s\" is not in \"%s\"", why_part, why);
}

static void what_prevents_opening_is_said(void **state) {
    struct bench *bench = *state;
    mock_usb_taken(bench->board, true);
    assert_refused(bench, -EBUSY, "in use by another program");
    mock_usb_taken(bench->board, false);

    mock_usb_refuse_start(bench->board, true);
    assert_refused(bench, -EPROTO, "refused a start request");
    mock_usb_refuse_start(bench->board, false);

    const struct board_usb elsewhere = {.endpoint = 0x82};
    settings.usb = &elsewhere;
    assert_refused(bench, -ENXIO, "no such endpoint of that kind");
    settings.usb = &where;

    mock_usb_quota(bench->board, 600);
    assert_refused(bench, -ENOMEM, "usbfs_memory_mb");
    mock_usb_quota(bench->board, 0);

    assert_int_equal(mock_usb_seen(bench->board).claims, 0);
    assert_int_equal(open_board(bench), 0); /* none of it did harm */
    mock_usb_unplug(bench->board);
    assert_int_equal(read_to_failure(bench), -ENODEV);
}

static void a_small_quota_halves_what_is_queued(void **state) {
    struct bench *bench = *state;
    mock_usb_quota(bench->board, 40000); /* 60000 are wanted */
    assert_int_equal(open_board(bench), 0);
    assert_non_null(strstr(transport_remark(bench->transport), "usbfs_memory_mb"));
    struct mock_seen seen = mock_usb_seen(bench->board);
    assert_true(seen.queued_most <= 40000);
    read_bytes(bench, 100 * MOCK_PACKET);
}

static void a_missing_right_names_node_mode_group_and_remedy(void **state) {
    struct bench *bench = *state;
    char why[400];
    if (geteuid() != 0) {
        print_message("NOT RUN: rights are only missing to somebody else than root\n");
        skip();
    }
    /* umockdev's open() cannot be used by another user: what is told of it is looked at. */
    struct usb_device device = {0};
    mock_usb_chmod(bench->board, 0600);
    assert_int_equal(seteuid(65534), 0);
    int result = usb_devices_find(ids, NULL, &device);
    usb_devices_explain(ids, NULL, -EACCES, why, sizeof why);
    assert_int_equal(seteuid(0), 0);
    assert_int_equal(result, 0);
    assert_int_equal(device.access, -EACCES);
    assert_non_null(strstr(why, "/dev/bus/usb/001/005 is "));
    assert_non_null(strstr(why, "rw------- root:root, this is nobody"));
    assert_non_null(strstr(why, "udev rule with GROUP and MODE=\"0660\""));
}

int main(void) {
#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        TEST(what_is_plugged_in_is_told),
        TEST(a_board_is_found_by_id_serial_number_or_port),
        TEST(two_alike_are_refused_with_their_list),
        TEST(all_packets_come_in_order_and_nothing_is_left_behind),
        TEST(the_plan_keeps_to_its_rules),
        TEST(silence_and_interruption_end_a_read_with_nothing),
        TEST(a_lost_transfer_is_a_hole_and_the_flow_goes_on),
        TEST(lost_isochronous_packets_are_a_hole),
        TEST(an_isochronous_board_that_goes_is_gone),
        TEST(errors_without_end_are_a_failure),
        TEST(a_stall_is_cleared_and_three_are_a_failure),
        TEST(an_unplugged_board_is_gone_for_good),
        TEST(it_may_be_closed_in_full_flow_twenty_times),
        TEST(what_prevents_opening_is_said),
        TEST(a_small_quota_halves_what_is_queued),
        TEST(a_missing_right_names_node_mode_group_and_remedy),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
