// SPDX-License-Identifier: Apache-2.0
/*
 * tmc_message_fuzz.c - any bytes as the header of an answer and the block behind it.
 *
 * Held: a block lies within what came; a message that we make is read back.
 */
#include "tmc_message.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(bool holds) {
    if (!holds)
        abort();
}

static void write_and_look(const uint8_t *data, size_t size) {
    uint8_t transfer[TMC_HEADER + 256 + TMC_PADDING];
    size_t count = size < 256 ? size : 256;
    size_t length = tmc_put_message(data[0], data, count, transfer);
    must(length % 4 == 0 && length >= TMC_HEADER + count && length <= sizeof transfer);
    must(memcmp(transfer + TMC_HEADER, data, count) == 0);
    must(tmc_next_tag(data[0]) != 0);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    struct tmc_answer answer = {0};
    if (size < TMC_HEADER)
        return 0;
    int result = tmc_read_header(data, data[1], &answer);
    must(result == 0 || (result == -EPROTO && answer.count == 0));
    size_t begin = 0, length = 0;
    result = tmc_read_block(data + TMC_HEADER, size - TMC_HEADER, &begin, &length);
    must(result == 0 ? begin + length <= size - TMC_HEADER : begin == 0 && length == 0);
    write_and_look(data, size);
    return 0;
}
