// SPDX-License-Identifier: Apache-2.0
/*
 * bench_peers.c - what a plain copy and zlib cost for the same bytes, here and now.
 */
#include "bench.h"

#include <stdlib.h>
#include <string.h>
#include <zlib.h>

enum { ROUNDS = 5, COPIES = 20 };

static void copy(unsigned char *to, const unsigned char *from, size_t count) {
    for (int i = 0; i < COPIES; i++) {
        memcpy(to, from, count);
        __asm__ volatile("" ::"r"(to) : "memory"); /* it must really be done */
    }
}

/* 0, or -1 where zlib fails. */
static int deflate_pieces(unsigned char *to, size_t room, const unsigned char *from, size_t count,
                          size_t piece) {
    for (size_t at = 0; at < count; at += piece) {
        uLongf length = room;
        if (compress2(to, &length, from + at, count - at < piece ? count - at : piece, 1) != Z_OK)
            return -1;
    }
    return 0;
}

int bench_peers(const void *bytes, size_t count, size_t piece, struct bench_peers *peers) {
    size_t room = compressBound(piece);
    unsigned char *to = malloc(count > room ? count : room);
    double copy_s[ROUNDS], zlib_s[ROUNDS];
    int result = to ? 0 : -1;
    for (int round = 0; result == 0 && round < ROUNDS; round++) {
        double begin = bench_cpu_s();
        copy(to, bytes, count);
        copy_s[round] = (bench_cpu_s() - begin) / COPIES;
        begin = bench_cpu_s();
        result = deflate_pieces(to, room, bytes, count, piece);
        zlib_s[round] = bench_cpu_s() - begin;
    }
    free(to);
    if (result < 0)
        return -1;
    peers->copy_s = bench_median(copy_s, ROUNDS);
    peers->zlib_s = bench_median(zlib_s, ROUNDS);
    return 0;
}
