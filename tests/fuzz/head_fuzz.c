// SPDX-License-Identifier: Apache-2.0
/*
 * head_fuzz.c - any bytes as the head of a container. What is accepted must be written and read
 * again, and say the same.
 */
#include "head.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void require(int truth) {
    if (!truth)
        abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    struct head *head = NULL;
    char why[200];
    if (head_parse((const char *)data, size, &head, why, sizeof why) < 0)
        return 0;
    char *json = NULL;
    require(head_format(head->hookup, head->stream_count, head->streams, &json) == 0);
    struct head *again = NULL;
    require(head_parse(json, strlen(json), &again, why, sizeof why) == 0);
    require(again->stream_count == head->stream_count);
    require(strcmp(again->hookup->text, head->hookup->text) == 0);
    for (size_t i = 0; i < head->stream_count; i++)
        require(again->streams[i].rate_hz == head->streams[i].rate_hz &&
                again->streams[i].described == head->streams[i].described);
    head_free(again);
    free(json);
    head_free(head);
    return 0;
}
