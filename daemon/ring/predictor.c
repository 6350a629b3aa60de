// SPDX-License-Identifier: Apache-2.0
/*
 * predictor.c - what a sample is expected to be from those before it.
 *
 * With x[n] a sample, r[n] the residual that is coded, o the origin, all modulo 2^32:
 *
 *   constant    r[n] = x[n] - o                                   a quiet channel and its noise
 *   difference  r[n] = x[n] - x[n-1], and of that again: order 2, 3        slow or smooth signals
 *   levels      r[n] = x[n] - (o or upper)                        on-off signals: differences would
 *               double the noise and pay for each edge; here the noise is that of the level, and
 *               the edge costs one unlikely symbol
 *   linear      r[n] = x[n] - o - floor((sum of w[k] d[n-k] + 2^(s-1)) / 2^s), d[n] = x[n] - o as a
 *               signed 32-bit number, k = 1..order; d before the first sample is 0
 *
 * The linear weights minimise the sum of squares of r over stretches of the block (the covariance
 * method): with P[i][j] = sum over n of d[n-i] d[n-j], they solve
 *
 *   sum over j of P[i][j] w[j] = P[i][0],  i, j = 1..order.
 *
 * Only P[0][j] takes a pass over the samples; a step along the diagonal moves both windows by one,
 * so for a stretch [a, b)
 *
 *   P[i+1][j+1] = P[i][j] + d[a-1-i] d[a-1-j] - d[b-1-i] d[b-1-j].
 *
 * P is factored as L L' (Cholesky). With y = L^-1 P[.][0], the leading p of y belong to the best
 * predictor of order p, whose error is P[0][0] - y1^2 - ... - yp^2: one factoring serves all
 * orders, and the cheapest is the least of n/2 log2(error) + the bits of its weights.
 */
#include "predictor.h"

#include <assert.h>
#include <math.h>
#include <string.h>

#define ORDER_MAX PREDICTOR_ORDER_MAX

/* A block is looked at in so many stretches of so many samples to find the weights. */
enum { FIT_STRETCHES = 4, FIT_STRETCH = 512 };

/* The shift's greatest value: a weight of 1.9 still fits in 16 bits. */
enum { SHIFT_MAX = 14 };

struct predictor_block predictor_look(const int32_t *samples, size_t count) {
    assert(count > 0);
    int32_t least = samples[0];
    int32_t most = samples[0];
    int64_t sum = 0;
    for (size_t i = 0; i < count; i++) {
        least = samples[i] < least ? samples[i] : least;
        most = samples[i] > most ? samples[i] : most;
        sum += samples[i];
    }
    int64_t half = (int64_t)(count / 2);
    int64_t mean = (sum + (sum < 0 ? -half : half)) / (int64_t)count;
    return (struct predictor_block){
        .samples = samples, .count = count, .least = least, .most = most, .mean = (int32_t)mean};
}

/* a - b as a signed 32-bit number, modulo 2^32. */
static inline int32_t minus(int32_t a, int32_t b) {
    return (int32_t)((uint32_t)a - (uint32_t)b);
}

static inline int32_t plus(int32_t a, int32_t b) {
    return (int32_t)((uint32_t)a + (uint32_t)b);
}

/* ---- levels ---- */

int32_t predictor_cut(const struct predictor *predictor) {
    if (predictor->kind != PREDICTOR_LEVELS)
        return INT32_MAX;
    return (int32_t)(((int64_t)predictor->origin + predictor->upper) / 2);
}

/* The means of what lies below and above the middle of the range. */
static bool fit_levels(const struct predictor_block *block, struct predictor *predictor) {
    int32_t cut = (int32_t)(((int64_t)block->least + block->most) / 2);
    int64_t sum_above = 0;
    int64_t sum = 0;
    int64_t above = 0;
    for (size_t i = 0; i < block->count; i++) {
        int64_t is_above = block->samples[i] > cut;
        above += is_above;
        sum += block->samples[i];
        sum_above += block->samples[i] & -is_above;
    }
    int64_t below = (int64_t)block->count - above;
    if (!above || !below)
        return false;
    predictor->origin = (int32_t)lrint((double)(sum - sum_above) / (double)below);
    predictor->upper = (int32_t)lrint((double)sum_above / (double)above);
    return true;
}

/* ---- linear ---- */

/* Adds a stretch's products; it needs ORDER_MAX samples before `from`. */
static void add_products(const struct predictor_block *block, size_t from, size_t to,
                         double products[ORDER_MAX + 1][ORDER_MAX + 1]) {
    double d[ORDER_MAX + FIT_STRETCH];
    size_t count = to - from;
    for (size_t i = 0; i < count + ORDER_MAX; i++)
        d[i] = minus(block->samples[from - ORDER_MAX + i], block->mean);
    double own[ORDER_MAX + 1][ORDER_MAX + 1];
    const double *latest = d + ORDER_MAX;
    for (size_t j = 0; j <= ORDER_MAX; j++)
        own[0][j] = 0;
    for (size_t n = 0; n < count; n++)
        for (size_t j = 0; j <= ORDER_MAX; j++)
            own[0][j] += latest[n] * latest[(ptrdiff_t)n - (ptrdiff_t)j];
    for (size_t i = 0; i < ORDER_MAX; i++)
        for (size_t j = i; j < ORDER_MAX; j++)
            own[i + 1][j + 1] = own[i][j] + d[ORDER_MAX - 1 - i] * d[ORDER_MAX - 1 - j] -
                                d[ORDER_MAX + count - 1 - i] * d[ORDER_MAX + count - 1 - j];
    for (size_t i = 0; i <= ORDER_MAX; i++)
        for (size_t j = i; j <= ORDER_MAX; j++)
            products[i][j] += own[i][j];
}

/* Sums the products over the stretches; returns how many samples went in. */
static size_t gather_products(const struct predictor_block *block,
                              double products[ORDER_MAX + 1][ORDER_MAX + 1]) {
    size_t room = block->count - ORDER_MAX;
    size_t stretch = room / FIT_STRETCHES;
    size_t length = stretch < FIT_STRETCH ? stretch : FIT_STRETCH;
    for (size_t i = 0; i < FIT_STRETCHES; i++) {
        size_t from = ORDER_MAX + i * stretch;
        add_products(block, from, from + length, products);
    }
    return FIT_STRETCHES * length;
}

/*
 * Factors the products and solves forward: `factor` = L, `y`. Returns how many orders are sound.
 * The diagonal is raised by the variance of rounding, 1/12 a sample, which keeps a smooth signal's
 * nearly singular products solvable and costs nothing that the rounding does not cost anyway.
 */
static size_t factorize(double products[ORDER_MAX + 1][ORDER_MAX + 1], double samples,
                        double factor[ORDER_MAX][ORDER_MAX], double y[ORDER_MAX]) {
    double ridge = samples / 12 + products[0][0] * 1e-12;
    for (size_t i = 0; i < ORDER_MAX; i++) {
        double right = products[0][i + 1];
        for (size_t j = 0; j <= i; j++) {
            double sum = products[j + 1][i + 1] + (i == j ? ridge : 0);
            for (size_t k = 0; k < j; k++)
                sum -= factor[i][k] * factor[j][k];
            if (i == j) {
                if (!(sum > 0))
                    return i;
                factor[i][i] = sqrt(sum);
            } else {
                factor[i][j] = sum / factor[j][j];
                right -= factor[i][j] * y[j];
            }
        }
        y[i] = right / factor[i][i];
    }
    return ORDER_MAX;
}

/* The order with the least bits for the whole block; 0 where none helps. */
static size_t choose_order(double energy, double samples, size_t count, const double *y,
                           size_t orders) {
    size_t best = 0;
    double best_bits = 0.5 * (double)count * log2(energy / samples + 1.0 / 12);
    double left = energy;
    for (size_t p = 1; p <= orders; p++) {
        left -= y[p - 1] * y[p - 1];
        double variance = (left > 0 ? left : 0) / samples + 1.0 / 12;
        double bits = 0.5 * (double)count * log2(variance) + 16.0 * (double)p;
        if (bits < best_bits) {
            best_bits = bits;
            best = p;
        }
    }
    return best;
}

/* Weights to 16 bits, with as many of them behind the point as the largest lets. */
static bool quantize(const double *weights, size_t order, struct predictor *predictor) {
    double largest = 0;
    for (size_t i = 0; i < order; i++)
        largest = fmax(largest, fabs(weights[i]));
    if (!(largest > 0) || largest >= 32767)
        return false;
    unsigned shift = SHIFT_MAX;
    while (shift > 0 && ldexp(largest, (int)shift) > 32767)
        shift--;
    predictor->order = (unsigned)order;
    predictor->shift = shift;
    for (size_t i = 0; i < order; i++)
        predictor->weight[i] = (int16_t)lrint(ldexp(weights[i], (int)shift));
    return true;
}

static bool fit_linear(const struct predictor_block *block, struct predictor *predictor) {
    if (block->count < 64)
        return false;
    double products[ORDER_MAX + 1][ORDER_MAX + 1] = {{0}};
    double factor[ORDER_MAX][ORDER_MAX];
    double y[ORDER_MAX];
    double weights[ORDER_MAX];
    double samples = (double)gather_products(block, products);
    if (!(products[0][0] > 0))
        return false;
    size_t orders = factorize(products, samples, factor, y);
    size_t order = choose_order(products[0][0], samples, block->count, y, orders);
    if (!order)
        return false;
    for (size_t i = order; i-- > 0;) {
        double sum = y[i];
        for (size_t k = i + 1; k < order; k++)
            sum -= factor[k][i] * weights[k];
        weights[i] = sum / factor[i][i];
    }
    return quantize(weights, order, predictor);
}

/*
 * The weighted sum of the `order` deviations before d[0]. The latest comes last, because the
 * decoder has only just made it.
 */
static inline int32_t weigh(const int32_t *d, const int64_t *weight, size_t order, unsigned shift) {
    int64_t sum = shift ? (int64_t)1 << (shift - 1) : 0;
#pragma GCC unroll 8
    for (size_t k = order; k-- > 0;)
        sum += weight[k] * d[-1 - (ptrdiff_t)k];
    return (int32_t)(uint32_t)(sum >> shift); /* rounds down, also below zero */
}

static inline __attribute__((always_inline)) void
linear_residuals(const int32_t *d, const int64_t *weight, size_t order, unsigned shift,
                 size_t count, int32_t *residuals) {
    for (size_t i = 0; i < count; i++)
        residuals[i] = minus(d[i], weigh(d + i, weight, order, shift));
}

/* Widens the weights, zeros behind the order: 4 or 8 of them are then always worked with. */
static size_t widen(const struct predictor *predictor, int64_t weight[ORDER_MAX]) {
    for (size_t k = 0; k < ORDER_MAX; k++)
        weight[k] = k < predictor->order ? predictor->weight[k] : 0;
    return predictor->order <= 4 ? 4 : 8;
}

static void residuals_linear(const struct predictor *predictor, const int32_t *samples, size_t from,
                             size_t to, int32_t *residuals) {
    enum { PIECE = 512 };
    int64_t weight[ORDER_MAX];
    size_t order = widen(predictor, weight);
    int32_t d[ORDER_MAX + PIECE];
    for (size_t i = 0; i < ORDER_MAX; i++)
        d[i] = from + i >= ORDER_MAX ? minus(samples[from + i - ORDER_MAX], predictor->origin) : 0;
    while (from < to) {
        size_t count = to - from < PIECE ? to - from : PIECE;
        for (size_t i = 0; i < count; i++)
            d[ORDER_MAX + i] = minus(samples[from + i], predictor->origin);
        if (order == 4)
            linear_residuals(d + ORDER_MAX, weight, 4, predictor->shift, count, residuals);
        else
            linear_residuals(d + ORDER_MAX, weight, 8, predictor->shift, count, residuals);
        memmove(d, d + count, ORDER_MAX * sizeof *d);
        residuals += count;
        from += count;
    }
}

static inline __attribute__((always_inline)) void restore_piece(int32_t *d, const int64_t *weight,
                                                                size_t order, unsigned shift,
                                                                int32_t origin, size_t count,
                                                                int32_t *samples) {
    for (size_t i = 0; i < count; i++) {
        d[i] = plus(samples[i], weigh(d + i, weight, order, shift));
        samples[i] = plus(d[i], origin);
    }
}

static void restore_linear(const struct predictor *predictor, int32_t *samples, size_t count) {
    enum { PIECE = 512 };
    int64_t weight[ORDER_MAX];
    size_t order = widen(predictor, weight);
    int32_t d[ORDER_MAX + PIECE] = {0};
    while (count) {
        size_t piece = count < PIECE ? count : PIECE;
        if (order == 4)
            restore_piece(d + ORDER_MAX, weight, 4, predictor->shift, predictor->origin, piece,
                          samples);
        else
            restore_piece(d + ORDER_MAX, weight, 8, predictor->shift, predictor->origin, piece,
                          samples);
        memmove(d, d + piece, ORDER_MAX * sizeof *d);
        samples += piece;
        count -= piece;
    }
}

/* ---- all ---- */

bool predictor_fit(const struct predictor_block *block, enum predictor_kind kind,
                   struct predictor *predictor) {
    *predictor = (struct predictor){.kind = kind, .origin = block->samples[0]};
    switch (kind) {
    case PREDICTOR_CONSTANT:
        predictor->origin = block->mean;
        return true;
    case PREDICTOR_LEVELS:
        return fit_levels(block, predictor);
    case PREDICTOR_LINEAR:
        predictor->origin = block->mean;
        return fit_linear(block, predictor);
    default:
        return true;
    }
}

int32_t predictor_base(const struct predictor *predictor, bool upper) {
    switch (predictor->kind) {
    case PREDICTOR_CONSTANT:
        return predictor->origin;
    case PREDICTOR_LEVELS:
        return upper ? predictor->upper : predictor->origin;
    default:
        return 0;
    }
}

void predictor_residuals(const struct predictor *predictor, const int32_t *samples, size_t from,
                         size_t to, int32_t *residuals) {
    if (predictor->kind == PREDICTOR_LINEAR) {
        residuals_linear(predictor, samples, from, to, residuals);
        return;
    }
    if (predictor->kind == PREDICTOR_CONSTANT || predictor->kind == PREDICTOR_LEVELS) {
        int32_t cut = predictor_cut(predictor);
        for (size_t i = from; i < to; i++)
            *residuals++ =
                minus(samples[i], samples[i] > cut ? predictor->upper : predictor->origin);
        return;
    }
    /* Samples before the first count as the origin. */
    int32_t x1 = from >= 1 ? samples[from - 1] : predictor->origin;
    int32_t x2 = from >= 2 ? samples[from - 2] : predictor->origin;
    int32_t x3 = from >= 3 ? samples[from - 3] : predictor->origin;
    int32_t slope = minus(x1, x2);
    int32_t bend = minus(slope, minus(x2, x3));
    for (size_t i = from; i < to; i++) {
        int32_t new_slope = minus(samples[i], x1);
        int32_t new_bend = minus(new_slope, slope);
        *residuals++ = predictor->kind == PREDICTOR_DIFFERENCE_1   ? new_slope
                       : predictor->kind == PREDICTOR_DIFFERENCE_2 ? new_bend
                                                                   : minus(new_bend, bend);
        x1 = samples[i];
        slope = new_slope;
        bend = new_bend;
    }
}

void predictor_restore(const struct predictor *predictor, int32_t *samples, size_t count) {
    int32_t x = predictor->origin;
    int32_t slope = 0;
    int32_t bend = 0;
    switch (predictor->kind) {
    case PREDICTOR_DIFFERENCE_1:
        for (size_t i = 0; i < count; i++)
            samples[i] = x = plus(x, samples[i]);
        break;
    case PREDICTOR_DIFFERENCE_2:
        for (size_t i = 0; i < count; i++) {
            slope = plus(slope, samples[i]);
            samples[i] = x = plus(x, slope);
        }
        break;
    case PREDICTOR_DIFFERENCE_3:
        for (size_t i = 0; i < count; i++) {
            bend = plus(bend, samples[i]);
            slope = plus(slope, bend);
            samples[i] = x = plus(x, slope);
        }
        break;
    case PREDICTOR_LINEAR:
        restore_linear(predictor, samples, count);
        break;
    default:
        break;
    }
}
