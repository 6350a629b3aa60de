// SPDX-License-Identifier: Apache-2.0
/*
 * frame_test.c - CRC-16 and COBS, both sides of the wire, against published values.
 */
#include "cmocka_helper.h"
#include "frame.h"
#include "wire_encoder.h"

#include <errno.h>
#include <string.h>

static void assert_check(const uint8_t *bytes, size_t count, uint16_t expected) {
    assert_int_equal(frame_check(bytes, count), expected);
    assert_int_equal(wire_check(0xFFFF, bytes, count), expected);
    uint16_t half = wire_check(0xFFFF, bytes, count / 2);
    assert_int_equal(wire_check(half, bytes + count / 2, count - count / 2), expected);
}

static void check_values_are_the_published_ones(void **state) {
    (void)state;
    /* Catalogue of parametrised CRC algorithms, CRC-16/IBM-3740: check 29B1, residue 0000. */
    assert_check((const uint8_t *)"123456789", 9, 0x29B1);
    assert_check((const uint8_t *)"123456789\x29\xB1", 11, 0x0000);
    /* AUTOSAR, Specification of CRC Routines R4.2.2, table of CRC-16 results. */
    assert_check((const uint8_t *)"\x00\x00\x00\x00", 4, 0x84C0);
    assert_check((const uint8_t *)"\xF2\x01\x83", 3, 0xD374);
    assert_check((const uint8_t *)"\x0F\xAA\x00\x55", 4, 0x2023);
    assert_check((const uint8_t *)"\x00\xFF\x55\x11", 4, 0xB8F9);
    assert_check((const uint8_t *)"\x33\x22\x55\xAA\xBB\xCC\xDD\xEE\xFF", 9, 0xF53F);
    assert_check((const uint8_t *)"\x92\x6B\x55", 3, 0x0745);
    assert_check((const uint8_t *)"\xFF\xFF\xFF\xFF", 4, 0x1D0F);
}

struct vector {
    const char *plain;
    size_t plain_count;
    const char *stuffed;
    size_t stuffed_count;
};
#define VECTOR(plain, stuffed)                                                                     \
    { plain, sizeof plain - 1, stuffed, sizeof stuffed - 1 }

/* Test vectors of the package cobs-python (src/cobs/cobs/test.py); the last two of iceworks.cc. */
static const struct vector vectors[] = {
    VECTOR("", "\x01"),
    VECTOR("1", "\x02\x31"),
    VECTOR("12345", "\x06\x31\x32\x33\x34\x35"),
    VECTOR("12345\0"
           "6789",
           "\x06\x31\x32\x33\x34\x35\x05\x36\x37\x38\x39"),
    VECTOR("\0"
           "12345\0"
           "6789",
           "\x01\x06\x31\x32\x33\x34\x35\x05\x36\x37\x38\x39"),
    VECTOR("12345\0"
           "6789\0",
           "\x06\x31\x32\x33\x34\x35\x05\x36\x37\x38\x39\x01"),
    VECTOR("\0", "\x01\x01"),
    VECTOR("\0\0", "\x01\x01\x01"),
    VECTOR("\0\0\0", "\x01\x01\x01\x01"),
    VECTOR("\xDE\xAD\xBE\xEF", "\x05\xDE\xAD\xBE\xEF"),
    VECTOR("\xDE\xAD\0\xBE\xEF", "\x03\xDE\xAD\x03\xBE\xEF"),
};

static void assert_stuffing(const uint8_t *plain, size_t plain_count, const uint8_t *stuffed,
                            size_t stuffed_count) {
    uint8_t bytes[600];
    size_t sent = wire_stuff(plain, plain_count, bytes);
    assert_int_equal(sent, stuffed_count + 1);
    assert_memory_equal(bytes, stuffed, stuffed_count);
    assert_int_equal(bytes[stuffed_count], 0);
    assert_int_equal(frame_decode(stuffed, stuffed_count, bytes), plain_count);
    assert_memory_equal(bytes, plain, plain_count);
}

static void stuffing_is_the_published_one(void **state) {
    (void)state;
    for (size_t i = 0; i < sizeof vectors / sizeof vectors[0]; i++)
        assert_stuffing((const uint8_t *)vectors[i].plain, vectors[i].plain_count,
                        (const uint8_t *)vectors[i].stuffed, vectors[i].stuffed_count);
}

/* The long vectors of the same list, made here: 01..FD, 01..FE, 01..FF and 00..FF. */
static void long_runs_are_cut_at_254(void **state) {
    (void)state;
    uint8_t plain[256];
    for (size_t i = 0; i < sizeof plain; i++)
        plain[i] = (uint8_t)i;
    uint8_t stuffed[260] = {0xFE};
    memcpy(stuffed + 1, plain + 1, 0xFD);
    assert_stuffing(plain + 1, 0xFD, stuffed, 0xFE);
    stuffed[0] = 0xFF;
    stuffed[0xFE] = 0xFE;
    assert_stuffing(plain + 1, 0xFE, stuffed, 0xFF);
    stuffed[0xFF] = 0x02;
    stuffed[0x100] = 0xFF;
    assert_stuffing(plain + 1, 0xFF, stuffed, 0x101);
    memmove(stuffed + 1, stuffed, 0x101);
    stuffed[0] = 0x01;
    assert_stuffing(plain, 0x100, stuffed, 0x102);
}

static void a_full_last_group_may_have_an_empty_one_behind(void **state) {
    (void)state;
    uint8_t stuffed[256] = {0xFF};
    memset(stuffed + 1, 'x', 254);
    stuffed[255] = 0x01;
    uint8_t plain[256];
    assert_int_equal(frame_decode(stuffed, 255, plain), 254);
    assert_int_equal(frame_decode(stuffed, 256, plain), 254);
    for (size_t i = 0; i < 254; i++)
        assert_int_equal(plain[i], 'x');
}

static void what_no_encoder_sends_is_refused(void **state) {
    (void)state;
    uint8_t plain[16];
    /* The same list's must-reject cases. */
    assert_int_equal(frame_decode((const uint8_t *)"\0", 1, plain), -EBADMSG);
    assert_int_equal(frame_decode((const uint8_t *)"\x05"
                                                   "123",
                                  4, plain),
                     -EBADMSG);
    assert_int_equal(frame_decode((const uint8_t *)"\x05"
                                                   "1234\0",
                                  6, plain),
                     -EBADMSG);
    assert_int_equal(frame_decode((const uint8_t *)"\x05"
                                                   "12\0"
                                                   "4",
                                  5, plain),
                     -EBADMSG);
}

/* Deterministic, so that a failure can be repeated. */
static uint32_t draw(uint32_t *seed) {
    *seed = *seed * 1664525u + 1013904223u;
    return *seed >> 8;
}

static void any_bytes_survive_stuffing(void **state) {
    (void)state;
    uint32_t seed = 1;
    for (int round = 0; round < 3000; round++) {
        uint8_t plain[512], stuffed[520], back[520];
        size_t count = draw(&seed) % (sizeof plain + 1);
        uint32_t zeros = draw(&seed) % 300; /* from none to many */
        for (size_t i = 0; i < count; i++)
            plain[i] = (uint8_t)(draw(&seed) % 300 < zeros ? 0 : 1 + draw(&seed) % 255);
        size_t sent = wire_stuff(plain, count, stuffed);
        assert_true(sent <= count + count / 254 + 2);
        assert_null(memchr(stuffed, 0, sent - 1));
        assert_int_equal(stuffed[sent - 1], 0);
        assert_int_equal(frame_decode(stuffed, sent - 1, back), count);
        assert_memory_equal(back, plain, count);
        assert_int_equal(frame_decode(stuffed, sent - 1, stuffed), count); /* in place */
        assert_memory_equal(stuffed, plain, count);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(check_values_are_the_published_ones),
        cmocka_unit_test(stuffing_is_the_published_one),
        cmocka_unit_test(long_runs_are_cut_at_254),
        cmocka_unit_test(a_full_last_group_may_have_an_empty_one_behind),
        cmocka_unit_test(what_no_encoder_sends_is_refused),
        cmocka_unit_test(any_bytes_survive_stuffing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
