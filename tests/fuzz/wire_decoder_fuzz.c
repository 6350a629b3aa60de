// SPDX-License-Identifier: Apache-2.0
/*
 * wire_decoder_fuzz.c - any bytes into what a microcontroller uses to find requests.
 */
#include "wire_encoder.h"

#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    struct wire_decoder decoder = {0};
    for (size_t i = 0; i < size; i++) {
        enum wire_request request = wire_decoder_byte(&decoder, data[i]);
        /* A request ends where its packet ends, and at no other byte. */
        if (request > WIRE_REQUEST_STOP || (request != WIRE_REQUEST_NONE && data[i] != 0))
            abort();
    }
    return 0;
}
