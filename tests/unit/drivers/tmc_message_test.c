// SPDX-License-Identifier: Apache-2.0
/*
 * tmc_message_test.c - headers of USBTMC 1.0 and blocks of IEEE 488.2, byte by byte.
 */
#include "cmocka_helper.h"
#include "tmc_message.h"

#include <errno.h>
#include <string.h>

/* Universal Serial Bus Test and Measurement Class Specification, Revision 1.0, tables 1, 3 and 4:
 * message, tag, inverse, 0; size, lowest byte first; attributes, bit 0 the end; filled up to 4. */
static void messages_out(void **state) {
    (void)state;
    static const uint8_t identify[] = {0x01, 0x01, 0xFE, 0x00, 0x06, 0x00, 0x00, 0x00, 0x01, 0x00,
                                       0x00, 0x00, '*',  'I',  'D',  'N',  '?',  '\n', 0x00, 0x00};
    uint8_t transfer[64];
    memset(transfer, 0xEE, sizeof transfer);
    assert_int_equal(tmc_put_message(1, (const uint8_t *)"*IDN?\n", 6, transfer), sizeof identify);
    assert_memory_equal(transfer, identify, sizeof identify);
    assert_int_equal(transfer[sizeof identify], 0xEE);
    assert_int_equal(tmc_put_message(1, (const uint8_t *)"1234", 4, transfer), TMC_HEADER + 4);
    assert_int_equal(tmc_put_message(1, (const uint8_t *)"12345", 5, transfer), TMC_HEADER + 8);
}

static void requests_and_tags(void **state) {
    (void)state;
    static const uint8_t request[] = {0x02, 0x02, 0xFD, 0x00, 0x00, 0x04,
                                      0x00, 0x00, 0x00, 0x00, 0x00, 0x00};
    uint8_t transfer[TMC_HEADER];
    tmc_put_request(2, 1024, transfer);
    assert_memory_equal(transfer, request, sizeof request);
    tmc_put_request(0x5B, 1, transfer); /* the specification's own example: 5B and A4 */
    assert_int_equal(transfer[2], 0xA4);
    assert_int_equal(tmc_next_tag(1), 2);
    assert_int_equal(tmc_next_tag(255), 1);
    assert_int_equal(tmc_next_tag(0), 1);
}

static void headers_in(void **state) {
    (void)state;
    uint8_t header[TMC_HEADER] = {2, 0x5B, 0xA4, 0, 0x34, 0x12, 0x01, 0, 1};
    struct tmc_answer answer = {0};
    assert_int_equal(tmc_read_header(header, 0x5B, &answer), 0);
    assert_int_equal(answer.count, 0x11234);
    assert_true(answer.end);
    header[8] = 2; /* ended by the termination character: not by the end of the message */
    assert_int_equal(tmc_read_header(header, 0x5B, &answer), 0);
    assert_false(answer.end);
    assert_int_equal(tmc_read_header(header, 0x5C, &answer), -EPROTO);
    header[2] = 0xA5;
    assert_int_equal(tmc_read_header(header, 0x5B, &answer), -EPROTO);
    header[2] = 0xA4;
    header[0] = 1;
    assert_int_equal(tmc_read_header(header, 0x5B, &answer), -EPROTO);
}

static int read(const char *message, size_t *begin, size_t *length) {
    return tmc_read_block((const uint8_t *)message, strlen(message), begin, length);
}

/* IEEE 488.2, definite length arbitrary block response data: '#', a digit, so many digits. */
static void blocks(void **state) {
    (void)state;
    size_t begin = 0, length = 0;
    assert_int_equal(read("#15hello\n", &begin, &length), 0);
    assert_int_equal(begin, 3);
    assert_int_equal(length, 5);
    assert_int_equal(read("#3005hello", &begin, &length), 0);
    assert_int_equal(begin, 5);
    assert_int_equal(length, 5);
    assert_int_equal(read("#10", &begin, &length), 0);
    assert_int_equal(length, 0);
    static const char *const none[] = {"",        "#",     "#15hell",      "#05hello", "#a",
                                       "#2x5abc", "15abc", "#9999999999a", "#3",       "#215"};
    for (size_t i = 0; i < sizeof none / sizeof none[0]; i++)
        assert_int_equal(read(none[i], &begin, &length), -EBADMSG);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(messages_out),
        cmocka_unit_test(requests_and_tags),
        cmocka_unit_test(headers_in),
        cmocka_unit_test(blocks),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
