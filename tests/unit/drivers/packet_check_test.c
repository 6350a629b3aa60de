// SPDX-License-Identifier: Apache-2.0
/*
 * packet_check_test.c - check sums of "123456789" against the catalogue's check values.
 */
#include "cmocka_helper.h"
#include "packet_check.h"

#include <string.h>

/*
 * CRCs: the field "check" of the catalogue of parametrised CRC algorithms
 * (reveng.sourceforge.io/crc-catalogue/all.htm). Sums: 0x31 + ... + 0x39 = 477 by hand; their
 * exclusive or is 0x31, since 2^3, 4^5, 6^7, 8^9 are 1 each and cancel.
 */
static void the_catalogues_check_values(void **state) {
    (void)state;
    static const struct {
        enum packet_check check;
        uint32_t value;
        size_t size;
    } rows[] = {
        {PACKET_CHECK_SUM8, 477 % 256, 1},      {PACKET_CHECK_SUM16, 477, 2},
        {PACKET_CHECK_XOR8, 0x31, 1},           {PACKET_CHECK_CRC8, 0xF4, 1},
        {PACKET_CHECK_CRC16_CCITT, 0x29B1, 2},  {PACKET_CHECK_CRC16_XMODEM, 0x31C3, 2},
        {PACKET_CHECK_CRC16_MODBUS, 0x4B37, 2}, {PACKET_CHECK_CRC32, 0xCBF43926, 4},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct packet_check_table table;
        packet_check_fill(rows[i].check, &table);
        assert_int_equal(packet_check_sum(rows[i].check, &table, (const uint8_t *)"123456789", 9),
                         rows[i].value);
        assert_int_equal(packet_check_size(rows[i].check), rows[i].size);
    }
}

static void every_check_has_a_name_of_its_own(void **state) {
    (void)state;
    for (int i = 0; i < PACKET_CHECKS; i++)
        for (int k = 0; k < i; k++)
            assert_string_not_equal(packet_check_name((enum packet_check)i),
                                    packet_check_name((enum packet_check)k));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_catalogues_check_values),
        cmocka_unit_test(every_check_has_a_name_of_its_own),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
