// SPDX-License-Identifier: Apache-2.0
/*
 * codec_test.c - whatever goes in comes out; whatever is decoded stays inside its memory.
 */
#include "cmocka_helper.h"
#include "codec.h"

#include <errno.h>
#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct codec_work *work;

static uint64_t random_state = 88172645463325252u;

static uint32_t random_u32(void) {
    random_state ^= random_state << 13;
    random_state ^= random_state >> 7;
    random_state ^= random_state << 17;
    return (uint32_t)(random_state >> 32);
}

/* About normal: mean 0, standard deviation 1. */
static double noise(void) {
    double sum = 0;
    for (int i = 0; i < 12; i++)
        sum += random_u32() * 0x1p-32;
    return sum - 6;
}

static int32_t *room(size_t count) {
    int32_t *samples = malloc(count ? count * sizeof *samples : 1);
    assert_non_null(samples);
    return samples;
}

/* Codes and decodes with both efforts, in memory of exactly the promised sizes; the full length. */
static size_t round_trip(const int32_t *samples, size_t count) {
    size_t length = 0;
    int32_t *decoded = room(count);
    for (int effort = CODEC_FAST; effort <= CODEC_FULL; effort++) {
        uint8_t *coded = malloc(codec_bound(count));
        assert_non_null(coded);
        length = codec_encode(work, samples, count, (enum codec_effort)effort, coded);
        assert_in_range(length, 1, codec_bound(count));
        uint8_t *exact = malloc(length);
        assert_non_null(exact);
        memcpy(exact, coded, length);
        memset(decoded, 0x55, count * sizeof *decoded);
        assert_int_equal(codec_decode(work, exact, length, decoded, count), 0);
        assert_memory_equal(decoded, samples, count * sizeof *decoded);
        free(exact);
        free(coded);
    }
    free(decoded);
    return length;
}

static const size_t lengths[] = {1,    2,    3,    4,    5,    7,     8,     9,
                                 15,   63,   64,   65,   250,  500,   1023,  1024,
                                 1025, 2047, 2048, 2049, 4096, 10000, 65535, CODEC_SAMPLES_MAX};
enum { LENGTHS = sizeof lengths / sizeof lengths[0] };

static void constants_take_six_bytes(void **state) {
    (void)state;
    const int32_t values[] = {0, 1, -1, 2600, INT32_MIN, INT32_MAX};
    int32_t *samples = room(CODEC_SAMPLES_MAX);
    for (size_t v = 0; v < sizeof values / sizeof values[0]; v++) {
        for (size_t i = 0; i < CODEC_SAMPLES_MAX; i++)
            samples[i] = values[v];
        for (size_t k = 0; k < LENGTHS; k++)
            assert_int_equal(round_trip(samples, lengths[k]), 6);
    }
    free(samples);
}

static void ramps_and_parabolas(void **state) {
    (void)state;
    int32_t *samples = room(CODEC_SAMPLES_MAX);
    for (size_t k = 0; k < LENGTHS; k++) {
        for (size_t i = 0; i < lengths[k]; i++)
            samples[i] = (int32_t)(i * 3) - 1000;
        round_trip(samples, lengths[k]);
        for (size_t i = 0; i < lengths[k]; i++) /* wraps around many times */
            samples[i] = (int32_t)((uint32_t)i * 123456789u);
        size_t length = round_trip(samples, lengths[k]);
        if (lengths[k] >= 1000)
            assert_in_range(length, 1, 64); /* a line, however steep, is nothing new */
        for (size_t i = 0; i < lengths[k]; i++)
            samples[i] = (int32_t)((uint32_t)(i * i) * 40503u);
        length = round_trip(samples, lengths[k]);
        if (lengths[k] >= 1000)
            assert_in_range(length, 1, 64);
    }
    free(samples);
}

static void every_width_of_random(void **state) {
    (void)state;
    int32_t *samples = room(CODEC_SAMPLES_MAX);
    for (unsigned width = 1; width <= 32; width++) {
        for (size_t k = 0; k < LENGTHS; k += 1 + (width % 3)) {
            size_t count = lengths[k] > 10000 && width % 8 ? 10000 : lengths[k];
            for (size_t i = 0; i < count; i++)
                samples[i] = (int32_t)(random_u32() >> (32 - width));
            size_t length = round_trip(samples, count);
            /* What cannot be made smaller costs its bits and six bytes. */
            assert_in_range(length, 1, 6 + (width * count + 7) / 8);
            for (size_t i = 0; i < count; i++)
                samples[i] = (int32_t)((uint32_t)samples[i] - (1u << (width - 1)));
            round_trip(samples, count);
        }
    }
    free(samples);
}

static void extremes_in_turn(void **state) {
    (void)state;
    int32_t *samples = room(CODEC_SAMPLES_MAX);
    for (size_t k = 0; k < LENGTHS; k++) {
        for (size_t i = 0; i < lengths[k]; i++)
            samples[i] = i % 2 ? INT32_MAX : INT32_MIN;
        round_trip(samples, lengths[k]);
        for (size_t i = 0; i < lengths[k]; i++)
            samples[i] = i / 3 % 2 ? INT32_MAX - (int32_t)(i & 1) : INT32_MIN + (int32_t)(i % 5);
        round_trip(samples, lengths[k]);
        for (size_t i = 0; i < lengths[k]; i++)
            samples[i] = (int32_t)((double)INT32_MAX * sin((double)i * 0.3));
        round_trip(samples, lengths[k]);
    }
    free(samples);
}

static void one_outlier_anywhere(void **state) {
    (void)state;
    int32_t samples[700];
    for (size_t at = 0; at < 700; at += 13) {
        for (size_t i = 0; i < 700; i++)
            samples[i] = 5;
        samples[at] = INT32_MIN;
        assert_in_range(round_trip(samples, 700), 1, 100);
    }
}

/* A channel that hardly moves goes well below a bit a sample. */
static void quiet_channels_nearly_vanish(void **state) {
    (void)state;
    int32_t *samples = room(10000);
    for (size_t i = 0; i < 10000; i++)
        samples[i] = 2600 + (random_u32() % 200 == 0);
    /* The entropy of 1 in 200 is 0.0454 bits: 57 bytes. */
    assert_in_range(round_trip(samples, 10000), 1, 57 * 5 / 4 + 40);
    free(samples);
}

/*
 * Noise of a standard deviation of s counts has an entropy of log2(s sqrt(2 pi e)) bits, for s not
 * much below 1 (Shannon 1948, section 20); rounding makes no difference to the third digit here.
 */
static void noise_costs_its_entropy(void **state) {
    (void)state;
    const double deviations[] = {1.0, 4.0, 30.0, 400.0, 20000.0};
    int32_t *samples = room(20000);
    for (size_t k = 0; k < sizeof deviations / sizeof deviations[0]; k++) {
        for (size_t i = 0; i < 20000; i++)
            samples[i] = (int32_t)lrint(30000 + deviations[k] * noise());
        double bits = 8.0 * (double)round_trip(samples, 20000) / 20000;
        double entropy = log2(deviations[k] * 4.1327);
        assert_true(bits < entropy * 1.01 + 0.05);
        assert_true(bits > entropy * 0.98 - 0.02); /* less would be a wrong test */
    }
    free(samples);
}

/* An on-off signal costs the noise of its levels and the news of its edges. */
static void squares_with_noise(void **state) {
    (void)state;
    int32_t *samples = room(10000);
    for (size_t i = 0; i < 10000; i++)
        samples[i] = (int32_t)lrint((i / 25 % 2 ? 4000 : 30) + 1.3 * noise());
    double bits = 8.0 * (double)round_trip(samples, 10000) / 10000;
    double edges = -(0.04 * log2(0.04) + 0.96 * log2(0.96));
    assert_true(bits < log2(1.3 * 4.1327) + edges + 0.1);
    free(samples);
}

/* Gets better than differences: a tone in noise. */
static void tones_are_foreseen(void **state) {
    (void)state;
    int32_t *samples = room(10000);
    for (size_t i = 0; i < 10000; i++)
        samples[i] = (int32_t)lrint(2048 + 700 * sin(0.11 * (double)i) + 1.5 * noise());
    double bits = 8.0 * (double)round_trip(samples, 10000) / 10000;
    assert_true(bits < 4.0); /* the noise alone is 2.6; its second difference 3.9 + the tone's */
    free(samples);
}

/* Every mixture of stretches: what one part teaches must not break the other. */
static void mixtures(void **state) {
    (void)state;
    int32_t *samples = room(6000);
    for (int round = 0; round < 60; round++) {
        size_t count = 1 + random_u32() % 6000;
        for (size_t i = 0; i < count;) {
            size_t end = i + 1 + random_u32() % 900;
            unsigned width = random_u32() % 33;
            int32_t base = (int32_t)random_u32();
            for (; i < end && i < count; i++)
                samples[i] =
                    (int32_t)((uint32_t)base + (width ? random_u32() >> (32 - width) : 0u));
        }
        round_trip(samples, count);
    }
    free(samples);
}

/* The second column of a CSV in steps of 40 mV. */
static size_t load(const char *name, int32_t *samples, size_t most) {
    char path[4096];
    snprintf(path, sizeof path, "%s/%s", CRANKTRAP_DATA, name);
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    size_t count = 0;
    char line[256];
    while (count < most && fgets(line, sizeof line, file)) {
        char *comma = strchr(line, ',');
        char *end = comma;
        double volts = comma ? strtod(comma + 1, &end) : 0;
        if (comma && end != comma + 1)
            samples[count++] = (int32_t)lrint(volts / 0.04);
    }
    fclose(file);
    return count;
}

static void real_recordings(void **state) {
    (void)state;
    if (!CRANKTRAP_DATA[0]) {
        print_message("not run: no folder of recordings (CRANKTRAP_DATA)\n");
        skip();
    }
    const char *const names[] = {"analog-60-2-steady.csv", "analog-60-2-runup.csv"};
    int32_t *samples = room(100000);
    for (size_t k = 0; k < 2; k++) {
        size_t count = load(names[k], samples, 100000);
        assert_in_range(count, 59000, 61000); /* 6.0 s at 10 kS/s, SOURCES.md of the recordings */
        const size_t blocks[] = {250, 1000, 10000};
        for (size_t b = 0; b < 3; b++) {
            size_t total = 0;
            for (size_t from = 0; from + blocks[b] <= count; from += blocks[b])
                total += round_trip(samples + from, blocks[b]);
            assert_in_range(total, 1, count); /* the 7-bit levels in well under 8 bits */
        }
    }
    free(samples);
}

/* ---- bad bytes ---- */

static size_t encode_example(int32_t *samples, size_t count, int kind, uint8_t *coded) {
    for (size_t i = 0; i < count; i++) {
        double tone = sin(0.1 * (double)i);
        double value = kind == 0   ? 2600 + noise()
                       : kind == 1 ? (i / 20 % 2 ? 4000 : 30) + noise()
                       : kind == 2 ? 2000 + 900 * tone + noise()
                       : kind == 3 ? 1000 * noise()
                                   : (double)(i * 7) + 0.6 * noise();
        samples[i] = (int32_t)lrint(value);
    }
    return codec_encode(work, samples, count, CODEC_FULL, coded);
}

/* Decodes from memory of exactly `length` bytes, so that the sanitizer sees a byte too many. */
static int decode_exactly(const uint8_t *bytes, size_t length, int32_t *samples, size_t count) {
    uint8_t *exact = malloc(length ? length : 1);
    assert_non_null(exact);
    memcpy(exact, bytes, length);
    int result = codec_decode(work, exact, length, samples, count);
    free(exact);
    return result;
}

static void cut_bytes_are_refused(void **state) {
    (void)state;
    int32_t samples[900];
    int32_t decoded[901];
    uint8_t coded[8192];
    for (int kind = 0; kind < 5; kind++) {
        size_t length = encode_example(samples, 900, kind, coded);
        for (size_t cut = 0; cut < length; cut++)
            assert_int_equal(decode_exactly(coded, cut, decoded, 900), -EBADMSG);
        coded[length] = 0;
        assert_int_equal(decode_exactly(coded, length + 1, decoded, 900), -EBADMSG);
        assert_int_equal(decode_exactly(coded, length, decoded, 899), -EBADMSG);
        assert_int_equal(decode_exactly(coded, length, decoded, 901), -EBADMSG);
        assert_int_equal(decode_exactly(coded, length, decoded, 0), -EBADMSG);
    }
}

/* Damage may decode to something wrong (the check sum is the chunk's): but always to an end. */
static void flipped_bytes_stay_inside(void **state) {
    (void)state;
    int32_t samples[700];
    int32_t decoded[700];
    uint8_t coded[8192];
    size_t refused = 0;
    size_t tried = 0;
    for (int kind = 0; kind < 5; kind++) {
        size_t length = encode_example(samples, 700, kind, coded);
        for (size_t bit = 0; bit < 8 * length; bit += kind ? 3 : 1) {
            coded[bit / 8] ^= (uint8_t)(1u << bit % 8);
            int result = decode_exactly(coded, length, decoded, 700);
            assert_true(result == 0 || result == -EBADMSG || result == -ENOTSUP);
            refused += result != 0;
            tried++;
            coded[bit / 8] ^= (uint8_t)(1u << bit % 8);
        }
    }
    assert_in_range(refused, tried / 2, tried);
}

static void random_bytes_stay_inside(void **state) {
    (void)state;
    int32_t *decoded = room(CODEC_SAMPLES_MAX);
    uint8_t bytes[300];
    for (int round = 0; round < 30000; round++) {
        size_t length = random_u32() % sizeof bytes;
        for (size_t i = 0; i < length; i++)
            bytes[i] = (uint8_t)random_u32();
        if (length)
            bytes[0] = (uint8_t)(random_u32() % 2);
        decode_exactly(bytes, length, decoded, 1 + random_u32() % 3000);
    }
    free(decoded);
}

static void unknown_codecs_are_told_apart(void **state) {
    (void)state;
    int32_t decoded[4];
    for (unsigned id = 2; id < 256; id++) {
        const uint8_t bytes[8] = {(uint8_t)id};
        assert_int_equal(codec_decode(work, bytes, sizeof bytes, decoded, 4), -ENOTSUP);
    }
}

static int make_work(void **state) {
    (void)state;
    return codec_work_new(&work);
}

static int free_work(void **state) {
    (void)state;
    codec_work_free(work);
    codec_work_free(NULL);
    return 0;
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(constants_take_six_bytes),
        cmocka_unit_test(ramps_and_parabolas),
        cmocka_unit_test(every_width_of_random),
        cmocka_unit_test(extremes_in_turn),
        cmocka_unit_test(one_outlier_anywhere),
        cmocka_unit_test(quiet_channels_nearly_vanish),
        cmocka_unit_test(noise_costs_its_entropy),
        cmocka_unit_test(squares_with_noise),
        cmocka_unit_test(tones_are_foreseen),
        cmocka_unit_test(mixtures),
        cmocka_unit_test(real_recordings),
        cmocka_unit_test(cut_bytes_are_refused),
        cmocka_unit_test(flipped_bytes_stay_inside),
        cmocka_unit_test(random_bytes_stay_inside),
        cmocka_unit_test(unknown_codecs_are_told_apart),
    };
    return cmocka_run_group_tests(tests, make_work, free_work);
}
