// SPDX-License-Identifier: Apache-2.0
/*
 * byte_pattern.c - looks for bytes that come back at equal distances.
 */
#include "byte_pattern.h"

#define DISTANCE_LEAST 2
#define PACKETS_LEAST  8
#define NEARLY         97 /* percent: a longer distance must agree by more than a shorter one */
#define TENTHS         9  /* of the packets agree: one may be damaged */
#define TEXT_PERCENT   95 /* of the bytes can be printed */

static bool is_text(const uint8_t *bytes, size_t count) {
    size_t printable = 0;
    for (size_t i = 0; i < count; i++)
        printable += (bytes[i] >= ' ' && bytes[i] <= '~') || bytes[i] == '\r' || bytes[i] == '\n' ||
                     bytes[i] == '\t';
    return count > 0 && printable * 100 >= count * TEXT_PERCENT;
}

/* The byte at `at` is, nine times in ten, the one a distance before plus `step`. */
static bool goes_by(const uint8_t *bytes, size_t count, size_t at, size_t distance, uint8_t step) {
    size_t pairs = 0, agree = 0;
    for (size_t i = at; i + distance < count; i += distance) {
        pairs++;
        agree += bytes[i + distance] == (uint8_t)(bytes[i] + step);
    }
    return pairs + 1 >= PACKETS_LEAST && agree * 10 >= pairs * TENTHS;
}

/* The place that a packet most likely begins with: the first of the longest run that stays. */
static size_t find_beginning(const uint8_t *bytes, size_t count, size_t distance) {
    size_t best = 0, best_length = 0;
    for (size_t at = 0; at < distance; at++) {
        size_t length = 0;
        while (length < BYTE_PATTERN_PLACES &&
               goes_by(bytes, count, (at + length) % distance, distance, 0))
            length++;
        if (length > best_length) {
            best = at;
            best_length = length;
        }
    }
    return best;
}

static void fill(const uint8_t *bytes, size_t count, size_t distance,
                 struct byte_pattern *pattern) {
    size_t last = (count / distance - 1) * distance; /* of a packet that is whole and not stale */
    pattern->distance = distance;
    pattern->first = find_beginning(bytes, count, distance);
    for (size_t i = 0; i < distance; i++) {
        size_t at = (pattern->first + i) % distance;
        if (goes_by(bytes, count, at, distance, 0) && pattern->places < BYTE_PATTERN_PLACES) {
            pattern->place[pattern->places] = i;
            pattern->value[pattern->places++] = bytes[last + at];
        } else if (!pattern->counts && goes_by(bytes, count, at, distance, 1)) {
            pattern->counts = true;
            pattern->counter_at = i;
        }
    }
}

/* How many of a thousand bytes are the same as the one a distance behind. */
static unsigned same(const uint8_t *bytes, size_t count, size_t distance) {
    size_t agree = 0;
    for (size_t i = 0; i + distance < count; i++)
        agree += bytes[i] == bytes[i + distance];
    return (unsigned)(agree * 1000 / (count - distance));
}

/* Where most agree; half of a packet does nearly where scans are alike. */
static size_t find_distance(const uint8_t *bytes, size_t count) {
    unsigned most = 0;
    size_t longest = count / PACKETS_LEAST, found = 0;
    for (size_t distance = DISTANCE_LEAST; distance <= longest; distance++) {
        unsigned now = same(bytes, count, distance);
        if (now * NEARLY > most * 100) {
            most = now;
            found = distance;
        }
    }
    return found;
}

/* Bytes that stay the same, of each packet of that size. */
static size_t count_places(const uint8_t *bytes, size_t count, size_t distance) {
    size_t places = 0;
    for (size_t at = 0; at < distance; at++)
        places += goes_by(bytes, count, at, distance, 0);
    return places;
}

/* What was found may be several packets: the shortest part of it with as many places for its
 * length. 0: nothing stays the same. */
static size_t shorten(const uint8_t *bytes, size_t count, size_t distance) {
    size_t places = distance ? count_places(bytes, count, distance) : 0;
    for (size_t part = DISTANCE_LEAST; places && part < distance; part++)
        if (distance % part == 0 && count_places(bytes, count, part) * (distance / part) >= places)
            return part;
    return places ? distance : 0;
}

/* The shortest distance that keeps a header of two bytes: where scans within a packet are more
 * alike than packets are. */
static size_t find_header(const uint8_t *bytes, size_t count) {
    for (size_t distance = DISTANCE_LEAST; distance <= count / PACKETS_LEAST; distance++)
        if (count_places(bytes, count, distance) >= 2)
            return distance;
    return 0;
}

void byte_pattern_find(const uint8_t *bytes, size_t count, struct byte_pattern *pattern) {
    *pattern = (struct byte_pattern){.text = is_text(bytes, count)};
    size_t distance = shorten(bytes, count, find_distance(bytes, count));
    if (!distance)
        distance = find_header(bytes, count);
    if (distance)
        fill(bytes, count, distance, pattern);
}
