// SPDX-License-Identifier: Apache-2.0
/*
 * closest.c - which known word a misspelt one was meant to be.
 */
#include "closest.h"

#include <ctype.h>
#include <stdint.h>
#include <string.h>

#define LETTERS_MAX 48

static size_t least(size_t a, size_t b) {
    return a < b ? a : b;
}

/* Letters alike but for case, or '_' written for '-'. */
static int same(char left, char right) {
    int a = left == '_' ? '-' : tolower((unsigned char)left);
    int b = right == '_' ? '-' : tolower((unsigned char)right);
    return a == b;
}

size_t closest_distance(const char *left, const char *right) {
    size_t rows = strlen(left);
    size_t columns = strlen(right);
    if (rows > LETTERS_MAX || columns > LETTERS_MAX)
        return SIZE_MAX;
    size_t cost[3][LETTERS_MAX + 1]; /* of this row, the one before and the one before that */
    for (size_t j = 0; j <= columns; j++)
        cost[0][j] = j;
    for (size_t i = 1; i <= rows; i++) {
        size_t *now = cost[i % 3];
        const size_t *before = cost[(i - 1) % 3];
        now[0] = i;
        for (size_t j = 1; j <= columns; j++) {
            size_t changed = before[j - 1] + !same(left[i - 1], right[j - 1]);
            now[j] = least(changed, 1 + least(before[j], now[j - 1]));
            if (i > 1 && j > 1 && same(left[i - 1], right[j - 2]) &&
                same(left[i - 2], right[j - 1]))
                now[j] = least(now[j], cost[(i - 2) % 3][j - 2] + 1);
        }
    }
    return cost[rows % 3][columns];
}

int closest_enough(const char *read, size_t distance) {
    return distance <= 1 + strlen(read) / 5;
}
