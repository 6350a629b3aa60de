// SPDX-License-Identifier: Apache-2.0
/*
 * ripple.c - slices of a channel; lines in their spectrum that noise does not make.
 */
#include "ripple.h"

#include "sorted.h"
#include "spectrum.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define PI             3.14159265358979323846
#define SLICE_S        0.002
#define MOST_S         300.0
#define BRIDGED_S      0.02 /* a hole as short is no loss to a ripple of 28 Hz or less */
#define STRETCH_S      2.0
#define SLOW_STRETCH_S 4.0
#define SLOW_LEAST_S   2.6
#define SLOW_OVERLAP   1.3
#define HOP_S          0.5
#define SHORTEST_S     0.4
#define FEWEST_SLICES  24
#define FEWEST_PERIODS 3.0 /* compressions */
#define SLOWEST_RPM    40.0
#define FASTEST_RPM    420.0
#define SLOWEST_HZ     1.0 /* without the number of cylinders */
#define FASTEST_HZ     28.0
#define NOISE_HZ       60.0 /* the noise is fitted up to here, or to */
#define HIGHEST_SHARE  0.4  /*   this share of the slices' rate */
#define SCAN_SHARE     0.3
#define FINER          4   /* steps of the search per 1 / length */
#define MOST_SCANNED   256 /* 2 s of 28 Hz in quarters of 0.5 Hz are 224 */
#define CANDIDATES     4
#define INDEPENDENT    1.5  /* frequencies per 1 / length */
#define CHANCE         1e-3 /* of noise to be taken for ripple, in one stretch */
#define MOST_MULTIPLE  4.0
#define MULTIPLE_POWER 0.25
#define SIDE_LOBE      0.01 /* in power: so much weaker than another, it may be that one's leak */
#define LEAST_SUPPORT  3    /* one in so many stretches must show it, or more */
#define FEWEST_COUNTS  2.0
#define QUIETS         2
#define QUIET_LEAST_S  0.5
#define NEIGHBOURS     5
#define SHARE_BEFORE   0.5
#define SAME_SPEED     1.35
#define FOLD_BINS      24
#define FOLD_FEWEST    10
#define SLOW_SLICES    0.057 /* slices a period, inverted: a sine moves by 0.35 within two */
#define JUMP_SHARE     0.5
#define JUMP_NOISES    9.0 /* times the median step */
#define JUMPS_A_PERIOD 0.75
#define HARMONICS      3
#define UNEVEN_RATIO   12.0 /* of a line at a part of f to the noise there */
#define UNEVEN_BINS    2.0
#define UNEVEN_LEAST   0.1
#define SHARE_TURN     0.25 /* of the ripple: a peak is left behind when so much below it */
#define MOST_BEAT      3.0

struct ripple {
    const struct window *window;
    size_t channel;
    double from_s, to_s;
    double slice_s; /* 0: no run came yet */
    size_t count, room;
    float *slices; /* averages, channel's unit; NAN: no sample */
    size_t open;   /* the slice that samples are added to */
    double open_sum;
    size_t open_samples;
    double quiet_from_s, quiet_to_s;
};

/* --- Slices ----------------------------------------------------------------------------- */

int ripple_new(const struct window *window, size_t channel, double from_s, double to_s,
               struct ripple **ripple) {
    struct ripple *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->window = window;
    made->channel = channel;
    made->from_s = from_s;
    made->to_s = fmin(to_s, from_s + MOST_S);
    made->quiet_from_s = made->quiet_to_s = (double)NAN;
    *ripple = made;
    return 0;
}

void ripple_free(struct ripple *ripple) {
    if (ripple == NULL)
        return;
    free(ripple->slices);
    free(ripple);
}

void ripple_quiet(struct ripple *ripple, double from_s, double to_s) {
    ripple->quiet_from_s = from_s;
    ripple->quiet_to_s = to_s;
}

size_t ripple_channel(const struct ripple *ripple) {
    return ripple->channel;
}

static const struct vehicle_channel *channel_of(const struct ripple *ripple) {
    return &ripple->window->vehicle->channels[ripple->channel];
}

static int close_slice(struct ripple *ripple) {
    if (ripple->open_samples == 0)
        return 0;
    if (ripple->open >= ripple->room) {
        size_t room = ripple->open + ripple->open / 2 + 1024;
        float *slices = realloc(ripple->slices, room * sizeof *slices);
        if (slices == NULL)
            return -ENOMEM;
        ripple->slices = slices;
        ripple->room = room;
    }
    while (ripple->count < ripple->open)
        ripple->slices[ripple->count++] = NAN;
    double counts = ripple->open_sum / (double)ripple->open_samples;
    ripple->slices[ripple->open] = (float)scale_value(&channel_of(ripple)->scale, counts);
    ripple->count = ripple->open + 1;
    ripple->open_sum = 0.0;
    ripple->open_samples = 0;
    return 0;
}

static double sum_of(const int32_t *counts, size_t first, size_t end) {
    int64_t sum = 0;
    for (size_t i = first; i < end; i++)
        sum += counts[i];
    return (double)sum;
}

int ripple_push(struct ripple *ripple, const struct record_run *run) {
    const struct vehicle_channel *of = channel_of(ripple);
    if (of->stream != run->stream || of->input >= run->inputs)
        return 0;
    if (ripple->slice_s == 0.0)
        ripple->slice_s = fmax(SLICE_S, run->period_s);
    double lag_s = window_lag_s(ripple->window, ripple->channel);
    size_t i = window_scans_before(run, lag_s, ripple->from_s);
    size_t end = window_scans_before(run, lag_s, ripple->to_s);
    while (i < end) {
        double at_s = run->time_s + lag_s + (double)i * run->period_s;
        size_t slice = (size_t)((at_s - ripple->from_s) / ripple->slice_s + 1e-9);
        if (slice > ripple->open) {
            int result = close_slice(ripple);
            if (result != 0)
                return result;
            ripple->open = slice;
        }
        double slice_end_s = ripple->from_s + (double)(slice + 1) * ripple->slice_s;
        size_t next = window_scans_before(run, lag_s, slice_end_s);
        next = next > i ? next : i + 1;
        next = next < end ? next : end;
        ripple->open_sum += sum_of(run->counts[of->input], i, next);
        ripple->open_samples += next - i;
        i = next;
    }
    return 0;
}

/* The slice's average; of the one that is open, what it has so far. */
static float slice_at(const struct ripple *ripple, size_t index) {
    if (index < ripple->count)
        return ripple->slices[index];
    if (index != ripple->open || ripple->open_samples == 0)
        return NAN;
    double counts = ripple->open_sum / (double)ripple->open_samples;
    return (float)scale_value(&channel_of(ripple)->scale, counts);
}

bool ripple_level(const struct ripple *ripple, double from_s, double to_s, double *lowest,
                  double *average, double *highest) {
    from_s = fmax(from_s, ripple->from_s);
    to_s = fmin(to_s, ripple->to_s);
    if (ripple->slice_s == 0.0 || !(to_s - from_s >= ripple->slice_s))
        return false;
    size_t first = (size_t)((from_s - ripple->from_s) / ripple->slice_s + 1e-6);
    size_t count = (size_t)((to_s - from_s) / ripple->slice_s + 1e-6);
    double low = HUGE_VAL;
    double high = -HUGE_VAL;
    double sum = 0.0;
    size_t sampled = 0;
    for (size_t i = first; i < first + count; i++) {
        double value = (double)slice_at(ripple, i);
        if (isnan(value))
            continue;
        low = fmin(low, value);
        high = fmax(high, value);
        sum += value;
        sampled++;
    }
    if (sampled == 0 || sampled < count / 2)
        return false;
    *lowest = low;
    *average = sum / (double)sampled;
    *highest = high;
    return true;
}

/* Fills values[first, end) on a straight line between their neighbours. */
static void bridge(float *values, size_t first, size_t end) {
    float before = values[first - 1];
    float step = (values[end] - before) / (float)(end - first + 1);
    for (size_t i = first; i < end; i++)
        values[i] = before + step * (float)(i - first + 1);
}

/* `count` slices from `from_s` on; false where samples are missing for longer than a moment. */
static bool load(const struct ripple *ripple, double from_s, float *values, size_t count) {
    size_t first = (size_t)lrint(fmax(from_s - ripple->from_s, 0.0) / ripple->slice_s);
    size_t longest = (size_t)lrint(BRIDGED_S / ripple->slice_s);
    size_t missing = 0;
    for (size_t i = 0; i < count; i++) {
        values[i] = slice_at(ripple, first + i);
        if (!isnan(values[i])) {
            if (missing > 0 && missing < i)
                bridge(values, i - missing, i);
            else if (missing > 0) /* nothing before: the first value is held */
                for (size_t k = 0; k < missing; k++)
                    values[k] = values[i];
            missing = 0;
        } else if (++missing > (longest > 1 ? longest : 1)) {
            return false;
        }
    }
    for (size_t i = count - missing; i < count && missing < count; i++)
        values[i] = values[i - 1];
    return missing < count;
}

/* --- One stretch ------------------------------------------------------------------------ */

struct band {
    double low_hz, high_hz; /* searched */
    double noise_hz;        /* highest of the noise fit */
};

struct quiet {
    size_t count;
    struct spectrum spectra[QUIETS];
    struct spectrum_noise noise[QUIETS];
};

struct query {
    const struct ripple *ripple;
    struct band band;
    size_t slices; /* of a stretch */
    struct quiet quiet;
};

struct line {
    double hertz, power;
    double noise; /* power */
    double chance;
};

struct look {
    enum ripple_answer answer;
    double from_s, hertz, strength, chance, uneven;
};

double ripple_rpm(double hertz, unsigned cylinders) {
    return cylinders > 0 ? 120.0 * hertz / (double)cylinders : (double)NAN;
}

static struct band band_of(const struct ripple *ripple, double length_s) {
    double cylinders = (double)ripple->window->vehicle->cylinders;
    double rate = 1.0 / ripple->slice_s;
    struct band band;
    band.low_hz = cylinders > 0.0 ? SLOWEST_RPM * cylinders / 120.0 : SLOWEST_HZ;
    band.high_hz = cylinders > 0.0 ? FASTEST_RPM * cylinders / 120.0 : FASTEST_HZ;
    band.low_hz = fmax(band.low_hz, FEWEST_PERIODS / length_s);
    band.high_hz = fmin(band.high_hz, SCAN_SHARE * rate);
    band.noise_hz = fmin(NOISE_HZ, HIGHEST_SHARE * rate);
    return band;
}

/* Noise and lines of the newest seconds before the starter. */
static void look_at_quiet(struct query *query) {
    const struct ripple *ripple = query->ripple;
    double length_s = ripple->quiet_to_s - fmax(ripple->quiet_from_s, ripple->from_s);
    if (!(length_s >= QUIET_LEAST_S))
        return;
    size_t slices = (size_t)(length_s / ripple->slice_s);
    slices = slices < query->slices ? slices : query->slices;
    length_s = fmin(length_s, (double)slices * ripple->slice_s * QUIETS);
    float values[SPECTRUM_LONGEST];
    for (int i = 0; i < QUIETS && slices >= FEWEST_SLICES; i++) {
        double from_s = ripple->quiet_to_s - (double)slices * ripple->slice_s * (double)(i + 1);
        size_t at = query->quiet.count;
        if (from_s < ripple->quiet_to_s - length_s - ripple->slice_s ||
            !load(ripple, from_s, values, slices))
            continue;
        spectrum_init(&query->quiet.spectra[at], values, slices, ripple->slice_s,
                      query->band.noise_hz);
        query->quiet.noise[at] = spectrum_noise_fit(&query->quiet.spectra[at], 0.0);
        query->quiet.count++;
    }
}

static double quiet_noise(const struct quiet *quiet, double hertz) {
    double power = 0.0;
    for (size_t i = 0; i < quiet->count; i++)
        power = fmax(power, spectrum_noise_power(&quiet->noise[i], hertz));
    return power;
}

/* Peak of what stood at that frequency before the starter. */
static double quiet_peak(const struct quiet *quiet, double hertz) {
    double peak = 0.0;
    for (size_t i = 0; i < quiet->count; i++) {
        const struct spectrum *spectrum = &quiet->spectra[i];
        double step_hz = 0.5 / spectrum_length_s(spectrum);
        double powers[NEIGHBOURS];
        spectrum_powers(spectrum, fmax(hertz - 2.0 * step_hz, step_hz), step_hz, powers,
                        NEIGHBOURS);
        for (size_t k = 0; k < NEIGHBOURS; k++)
            peak = fmax(peak, spectrum_peak(spectrum, powers[k]));
    }
    return peak;
}

/* Vertex of the parabola through three logarithms one step apart, in steps from the middle. */
static double vertex(double before, double middle, double after) {
    double a = log(before + 1e-300);
    double b = log(middle + 1e-300);
    double c = log(after + 1e-300);
    double bend = a - 2.0 * b + c;
    return bend < 0.0 ? 0.5 * (a - c) / bend : 0.0;
}

/* Keeps the lines whose power times frequency is largest: red noise is no better a candidate. */
static size_t keep_line(struct line *lines, size_t count, struct line line) {
    size_t at = count < CANDIDATES ? count++ : CANDIDATES - 1;
    if (count == CANDIDATES && at == CANDIDATES - 1 && lines[at].power > 0.0 &&
        lines[at].power * lines[at].hertz >= line.power * line.hertz)
        return count;
    while (at > 0 && lines[at - 1].power * lines[at - 1].hertz < line.power * line.hertz) {
        lines[at] = lines[at - 1];
        at--;
    }
    lines[at] = line;
    return count;
}

static size_t find_lines(const struct query *query, const struct spectrum *spectrum,
                         struct line *lines) {
    double powers[MOST_SCANNED];
    double step_hz = 1.0 / (FINER * spectrum_length_s(spectrum));
    double first_hz = query->band.low_hz - step_hz;
    size_t scanned = (size_t)((query->band.high_hz - first_hz) / step_hz) + 2;
    size_t count = 0;
    scanned = scanned < MOST_SCANNED ? scanned : MOST_SCANNED;
    spectrum_powers(spectrum, first_hz, step_hz, powers, scanned);
    for (size_t i = 1; i + 1 < scanned; i++) {
        if (powers[i] <= powers[i - 1] || powers[i] < powers[i + 1])
            continue;
        double steps = (double)i + vertex(powers[i - 1], powers[i], powers[i + 1]);
        struct line line = {.hertz = first_hz + steps * step_hz, .power = powers[i]};
        count = keep_line(lines, count, line);
    }
    for (size_t i = 0; i < count; i++)
        lines[i].power = spectrum_power(spectrum, lines[i].hertz);
    return count;
}

static void judge_line(const struct query *query, const struct spectrum *spectrum,
                       struct line *line) {
    struct spectrum_noise noise = spectrum_noise_fit(spectrum, line->hertz);
    line->noise =
        fmax(spectrum_noise_power(&noise, line->hertz), quiet_noise(&query->quiet, line->hertz));
    double frequencies =
        INDEPENDENT * spectrum_length_s(spectrum) * (query->band.high_hz - query->band.low_hz);
    line->chance = noise.floor > 0.0
                       ? spectrum_chance(line->power / line->noise, fmax(frequencies, 1.0))
                       : 1.0;
}

/* The largest power down to one period in the stretch: what the lines may be side lobes of. */
static double strongest(const struct query *query, const struct spectrum *spectrum,
                        const struct line *lines, size_t count) {
    double powers[MOST_SCANNED];
    double step_hz = 0.5 / spectrum_length_s(spectrum);
    double most = 0.0;
    size_t steps = (size_t)(query->band.low_hz / step_hz); /* from one period on */
    size_t scanned = steps < 2 ? 0 : steps - 1 < MOST_SCANNED ? steps - 1 : MOST_SCANNED;
    spectrum_powers(spectrum, 2.0 * step_hz, step_hz, powers, scanned);
    for (size_t i = 0; i < scanned; i++)
        most = fmax(most, powers[i]);
    for (size_t i = 0; i < count; i++)
        most = fmax(most, lines[i].power);
    return most;
}

/* The strongest that noise does not make; else the least likely of noise. NULL: no line at all. */
static const struct line *strongest_line(const struct line *lines, size_t count) {
    const struct line *chosen = NULL;
    for (size_t i = 0; i < count; i++) {
        const struct line *line = &lines[i];
        if (chosen == NULL) {
            chosen = line;
        } else if (line->chance <= CHANCE && chosen->chance <= CHANCE) {
            chosen = line->power > chosen->power ? line : chosen;
        } else if (line->chance < chosen->chance) {
            chosen = line;
        }
    }
    return chosen;
}

/* That line, or the multiple of it that the compressions of unlike cylinders leave. */
static const struct line *choose_line(const struct line *lines, size_t count, double width_hz) {
    const struct line *strongest = strongest_line(lines, count);
    const struct line *chosen = strongest;
    for (size_t i = 0; i < count; i++) {
        const struct line *line = &lines[i];
        double multiple = rint(line->hertz / strongest->hertz);
        if (line->chance <= CHANCE && multiple >= 2.0 && multiple <= MOST_MULTIPLE &&
            fabs(line->hertz - multiple * strongest->hertz) <= width_hz &&
            line->power >= MULTIPLE_POWER * strongest->power && line->hertz > chosen->hertz)
            chosen = line;
    }
    return chosen;
}

/* --- Shape ------------------------------------------------------------------------------ */

struct fold {
    size_t bins;
    double values[FOLD_BINS]; /* less their mean */
};

static void fold_make(struct fold *fold, const float *values, size_t count, double period) {
    size_t times[FOLD_BINS] = {0};
    double mean = 0.0;
    memset(fold, 0, sizeof *fold);
    fold->bins = period < FOLD_BINS ? (size_t)period : FOLD_BINS;
    for (size_t i = 0; i < count; i++) {
        double turns = (double)i / period;
        size_t bin = (size_t)((turns - floor(turns)) * (double)fold->bins);
        bin = bin < fold->bins ? bin : fold->bins - 1;
        fold->values[bin] += (double)values[i] - (double)values[0];
        times[bin]++;
    }
    for (size_t i = 0; i < fold->bins; i++) {
        fold->values[i] /= times[i] > 0 ? (double)times[i] : 1.0;
        mean += fold->values[i] / (double)fold->bins;
    }
    for (size_t i = 0; i < fold->bins; i++)
        fold->values[i] -= mean;
}

/* How much of the sum of squares the first harmonics tell. */
static double told_by_harmonics(const struct fold *fold) {
    double told = 0.0;
    for (int harmonic = 1; harmonic <= HARMONICS; harmonic++) {
        double real = 0.0;
        double imaginary = 0.0;
        for (size_t i = 0; i < fold->bins; i++) {
            double turn = 2.0 * PI * harmonic * (double)i / (double)fold->bins;
            real += fold->values[i] * cos(turn);
            imaginary += fold->values[i] * sin(turn);
        }
        told += 2.0 * (real * real + imaginary * imaginary) / (double)fold->bins;
    }
    return told;
}

/* How much the best two levels tell, one between bins `first` and `last`, the other elsewhere; in
 * these two, which hold its edges, any value goes. */
static double told_by_levels(const struct fold *fold) {
    double told = 0.0;
    for (size_t first = 0; first < fold->bins; first++) {
        double up = fold->values[first];
        double inside = 0.0;
        for (size_t length = 1; length + 1 < fold->bins; length++) {
            double down = fold->values[(first + length) % fold->bins];
            double outside = -(inside + up + down); /* their mean is 0 */
            double squares = up * up + down * down;
            squares += length > 1 ? inside * inside / (double)(length - 1) : 0.0;
            squares += outside * outside / (double)(fold->bins - length - 1);
            told = fmax(told, squares);
            inside += down;
        }
    }
    return told;
}

/*
 * Does the value jump about once a period or more, by half of the ripple within two slices? A sine
 * of up to 28 Hz moves by a third. Finds what comes too irregularly to be folded: a solenoid that
 * chatters on a weak battery.
 */
static bool is_jumpy(const struct query *query, const float *values, double hertz,
                     double strength) {
    double steps[SPECTRUM_LONGEST] = {0.0};
    double slice_s = query->ripple->slice_s;
    size_t count = query->slices - 2;
    if (hertz * slice_s > SLOW_SLICES)
        return false;
    for (size_t i = 0; i < count; i++)
        steps[i] = fabs((double)(values[i + 2] - values[i]));
    sorted_order(steps, count);
    double least = fmax(JUMP_SHARE * strength, JUMP_NOISES * steps[count / 2]);
    size_t jumps = 0;
    double before = 0.0;
    for (size_t i = 0; i < count; i++) {
        double step = (double)(values[i + 2] - values[i]);
        if (fabs(step) >= least && (fabs(before) < least || before * step < 0.0))
            jumps++;
        before = step;
    }
    double periods = hertz * slice_s * (double)query->slices;
    return (double)jumps >= JUMPS_A_PERIOD * periods;
}

/* Do two levels tell its shape, folded at its period, better than a few harmonics do? */
static bool is_two_levels(const struct query *query, const float *values, double hertz) {
    double period = 1.0 / (hertz * query->ripple->slice_s);
    struct fold fold;
    if (period < FOLD_FEWEST)
        return false;
    fold_make(&fold, values, query->slices, period);
    return told_by_levels(&fold) > told_by_harmonics(&fold);
}

/* The strongest line at a whole part of the ripple's frequency, as a share of the ripple's. */
static double unevenness(const struct query *query, const struct spectrum *spectrum,
                         const struct line *line) {
    static const double usual[] = {1.0 / 2.0, 1.0 / 3.0, 2.0 / 3.0, 1.0 / 4.0, 3.0 / 4.0};
    unsigned cylinders = query->ripple->window->vehicle->cylinders;
    size_t parts = cylinders > 0 ? cylinders - 1 : sizeof usual / sizeof *usual;
    double width_hz = UNEVEN_BINS / spectrum_length_s(spectrum);
    double most = (double)NAN;
    for (size_t i = 0; i < parts; i++) {
        double part = cylinders > 0 ? (double)(i + 1) / (double)cylinders : usual[i];
        double hertz = part * line->hertz;
        if (hertz < width_hz || line->hertz - hertz < width_hz)
            continue;
        double power = spectrum_power(spectrum, hertz);
        double noise = line->noise / (part * part); /* no red noise rises more */
        double share = power > UNEVEN_RATIO * noise ? sqrt(power / line->power) : 0.0;
        most = fmax(isnan(most) ? 0.0 : most, share >= UNEVEN_LEAST ? share : 0.0);
    }
    return most;
}

/* --- Query ------------------------------------------------------------------------------ */

/* What one count of the board is worth near that value, channel's unit. */
static double count_at(const struct ripple *ripple, double value) {
    const struct scale *scale = &channel_of(ripple)->scale;
    double counts = scale_counts(scale, value);
    return fabs(scale_value(scale, counts + 0.5) - scale_value(scale, counts - 0.5));
}

static struct look look_at(const struct query *query, double from_s) {
    struct look look = {.answer = RIPPLE_NOT_SAMPLED, .from_s = from_s};
    float values[SPECTRUM_LONGEST];
    struct spectrum spectrum;
    struct line lines[CANDIDATES] = {{0}};
    if (!load(query->ripple, from_s, values, query->slices))
        return look;
    look.answer = RIPPLE_IN_NOISE;
    spectrum_init(&spectrum, values, query->slices, query->ripple->slice_s, query->band.noise_hz);
    size_t count = find_lines(query, &spectrum, lines);
    for (size_t i = 0; i < count; i++)
        judge_line(query, &spectrum, &lines[i]);
    const struct line *line = choose_line(lines, count, 1.0 / spectrum_length_s(&spectrum));
    if (line == NULL || line->chance > CHANCE ||
        line->power < SIDE_LOBE * strongest(query, &spectrum, lines, count))
        return look;
    double peak = spectrum_peak(&spectrum, line->power);
    look.hertz = line->hertz;
    look.strength = 2.0 * peak;
    look.chance = line->chance;
    if (look.strength < FEWEST_COUNTS * count_at(query->ripple, (double)values[0]))
        return look;
    look.uneven = unevenness(query, &spectrum, line);
    if (quiet_peak(&query->quiet, line->hertz) > SHARE_BEFORE * peak)
        look.answer = RIPPLE_BEFORE;
    else if (is_two_levels(query, values, line->hertz) ||
             is_jumpy(query, values, line->hertz, look.strength))
        look.answer = RIPPLE_SWITCHED;
    else
        look.answer = RIPPLE_SEEN;
    return look;
}

static double median(const double *values, size_t count) {
    double sorted[RIPPLE_PIECES];
    memcpy(sorted, values, count * sizeof *sorted);
    sorted_order(sorted, count);
    return (sorted[(count - 1) / 2] + sorted[count / 2]) / 2.0;
}

/* Keeps the looks that show ripple near the median one's speed; how many. */
static size_t agree(struct look *looks, size_t count) {
    double hertz[RIPPLE_PIECES] = {0.0};
    size_t seen = 0;
    for (size_t i = 0; i < count; i++)
        if (looks[i].answer == RIPPLE_SEEN)
            hertz[seen++] = looks[i].hertz;
    if (seen == 0)
        return 0;
    double middle = median(hertz, seen);
    size_t kept = 0;
    for (size_t i = 0; i < count; i++) {
        double ratio = looks[i].hertz / middle;
        if (looks[i].answer == RIPPLE_SEEN && ratio < SAME_SPEED && ratio > 1.0 / SAME_SPEED)
            looks[kept++] = looks[i];
    }
    return kept;
}

static size_t count_of(const struct look *looks, size_t count, enum ripple_answer answer) {
    size_t found = 0;
    for (size_t i = 0; i < count; i++)
        found += looks[i].answer == answer ? 1 : 0;
    return found;
}

/* Why nothing can be told; RIPPLE_SEEN where the most looks speak for ripple. */
static enum ripple_answer answer_of(const struct look *looks, size_t count) {
    size_t seen = count_of(looks, count, RIPPLE_SEEN);
    size_t switched = count_of(looks, count, RIPPLE_SWITCHED);
    size_t before = count_of(looks, count, RIPPLE_BEFORE);
    if (seen > switched && seen > before && LEAST_SUPPORT * seen >= count)
        return RIPPLE_SEEN;
    if (switched > 0)
        return switched >= before ? RIPPLE_SWITCHED : RIPPLE_BEFORE;
    if (before > 0)
        return RIPPLE_BEFORE;
    return count_of(looks, count, RIPPLE_IN_NOISE) > 0 ? RIPPLE_IN_NOISE : RIPPLE_NOT_SAMPLED;
}

static void add_piece(const struct look *look, double length_s, struct ripple_estimate *estimate) {
    double to_s = look->from_s + length_s;
    double seen_to_s = estimate->piece_count > 0 ? estimate->to_s : look->from_s;
    estimate->compressions += look->hertz * (to_s - fmax(seen_to_s, look->from_s));
    estimate->pieces[estimate->piece_count++] =
        (struct ripple_piece){look->from_s, to_s, look->hertz};
    estimate->to_s = to_s;
    estimate->chance = fmin(estimate->chance, look->chance);
    if (!isnan(look->uneven))
        estimate->uneven =
            isnan(estimate->uneven) ? look->uneven : fmax(estimate->uneven, look->uneven);
}

static void summarise(const struct look *looks, size_t count, double length_s, unsigned cylinders,
                      struct ripple_estimate *estimate) {
    double hertz[RIPPLE_PIECES] = {0.0};
    double strength[RIPPLE_PIECES] = {0.0};
    estimate->chance = 1.0;
    estimate->from_s = looks[0].from_s;
    estimate->hertz_low = HUGE_VAL;
    estimate->hertz_high = 0.0;
    for (size_t i = 0; i < count; i++) {
        add_piece(&looks[i], length_s, estimate);
        hertz[i] = looks[i].hertz;
        strength[i] = looks[i].strength;
        estimate->hertz_low = fmin(estimate->hertz_low, looks[i].hertz);
        estimate->hertz_high = fmax(estimate->hertz_high, looks[i].hertz);
    }
    estimate->hertz = median(hertz, count);
    estimate->strength = median(strength, count);
    estimate->rpm = ripple_rpm(estimate->hertz, cylinders);
    estimate->rpm_low = ripple_rpm(estimate->hertz_low, cylinders);
    estimate->rpm_high = ripple_rpm(estimate->hertz_high, cylinders);
}

static struct ripple_estimate nothing(enum ripple_answer answer) {
    struct ripple_estimate none = {.answer = answer};
    none.from_s = none.to_s = none.hertz = none.hertz_low = none.hertz_high = (double)NAN;
    none.rpm = none.rpm_low = none.rpm_high = (double)NAN;
    none.strength = none.chance = none.uneven = (double)NAN;
    return none;
}

/* In stretches of `stretch_s`, up to `highest_hz`. */
static bool estimate_in(const struct ripple *ripple, double from_s, double to_s, double stretch_s,
                        double highest_hz, struct ripple_estimate *estimate) {
    struct look looks[RIPPLE_PIECES];
    struct query query = {.ripple = ripple};
    *estimate = nothing(RIPPLE_NOT_SAMPLED);
    if (ripple->slice_s == 0.0)
        return false;
    query.slices = (size_t)(fmin(to_s - from_s, stretch_s) / ripple->slice_s + 1e-6);
    double length_s = (double)query.slices * ripple->slice_s;
    estimate->answer = RIPPLE_TOO_SHORT;
    if (!(to_s - from_s >= SHORTEST_S))
        return false;
    query.band = band_of(ripple, length_s);
    query.band.high_hz = fmin(query.band.high_hz, highest_hz);
    if (query.band.low_hz >= query.band.high_hz)
        return false;
    estimate->answer = RIPPLE_NOT_SAMPLED;
    if (query.slices < FEWEST_SLICES || query.slices > SPECTRUM_LONGEST)
        return false;
    look_at_quiet(&query);
    double hop_s = fmax(HOP_S, (to_s - from_s - length_s) / (RIPPLE_PIECES - 1));
    size_t count = 1 + (size_t)((to_s - from_s - length_s) / hop_s + 1e-6);
    for (size_t i = 0; i < count; i++)
        looks[i] = look_at(&query, from_s + (double)i * hop_s);
    estimate->answer = answer_of(looks, count);
    size_t kept = estimate->answer == RIPPLE_SEEN ? agree(looks, count) : 0;
    if (kept == 0)
        return false;
    summarise(looks, kept, length_s, ripple->window->vehicle->cylinders, estimate);
    return true;
}

bool ripple_estimate(const struct ripple *ripple, double from_s, double to_s,
                     struct ripple_estimate *estimate) {
    from_s = fmax(from_s, ripple->from_s);
    to_s = fmin(to_s, ripple->to_s);
    if (estimate_in(ripple, from_s, to_s, STRETCH_S, HUGE_VAL, estimate))
        return true;
    /* an engine that hardly turns has too few compressions in so short a stretch */
    struct ripple_estimate slow;
    if (ripple->window->vehicle->cylinders == 0 || to_s - from_s < SLOW_LEAST_S ||
        !estimate_in(ripple, from_s, to_s, SLOW_STRETCH_S,
                     FEWEST_PERIODS / STRETCH_S * SLOW_OVERLAP, &slow))
        return false;
    *estimate = slow;
    return true;
}

/* --- Single compressions ---------------------------------------------------------------- */

/* Average of the values within `half` of each, in place of them; `sums` has count + 1 places. */
static void smooth(const float *values, double *sums, size_t count, size_t half, double *smoothed) {
    sums[0] = 0.0;
    for (size_t i = 0; i < count; i++)
        sums[i + 1] = sums[i] + (double)values[i];
    for (size_t i = 0; i < count; i++) {
        size_t within = half < i ? half : i;
        within = within < count - 1 - i ? within : count - 1 - i;
        smoothed[i] = (sums[i + within + 1] - sums[i - within]) / (double)(2 * within + 1);
    }
}

/* Peaks that are left behind by `turn`, both ways; beats from each to the next. */
static size_t find_beats(const double *values, size_t count, double turn, double longest_s,
                         double from_s, double step_s, struct ripple_beat *beats, size_t room) {
    double peak_s = (double)NAN;
    size_t extreme = 0;
    size_t found = 0;
    bool rising = true;
    for (size_t i = 1; i < count && found < room; i++) {
        if (rising ? values[i] > values[extreme] : values[i] < values[extreme])
            extreme = i;
        if (fabs(values[i] - values[extreme]) < turn)
            continue;
        if (rising) {
            double at_s = from_s + ((double)extreme + 0.5) * step_s;
            if (at_s - peak_s <= longest_s) /* false for the first */
                beats[found++] = (struct ripple_beat){peak_s, at_s};
            peak_s = at_s;
        }
        rising = !rising;
        extreme = i;
    }
    return found;
}

int ripple_beats(const struct ripple *ripple, const struct ripple_estimate *estimate, double from_s,
                 double to_s, struct ripple_beat *beats, size_t room) {
    from_s = fmax(from_s, ripple->from_s);
    to_s = fmin(to_s, ripple->to_s);
    if (estimate->answer != RIPPLE_SEEN || !(to_s - from_s > ripple->slice_s * FEWEST_SLICES))
        return 0;
    size_t count = (size_t)((to_s - from_s) / ripple->slice_s + 1e-6);
    float *values = malloc(count * sizeof *values);
    double *work = malloc((3 * count + 1) * sizeof *work);
    int found = -ENOMEM;
    if (values == NULL || work == NULL)
        goto done;
    found = 0;
    if (!load(ripple, from_s, values, count))
        goto done;
    double *swing = work;
    double *level = work + count;
    double *sums = level + count;
    double period = 1.0 / (estimate->hertz * ripple->slice_s);
    smooth(values, sums, count, (size_t)(period / 8.0), swing);
    smooth(values, sums, count, (size_t)(period * 0.75), level);
    for (size_t i = 0; i < count; i++)
        swing[i] -= level[i];
    found = (int)find_beats(swing, count, SHARE_TURN * estimate->strength,
                            MOST_BEAT / estimate->hertz, from_s, ripple->slice_s, beats, room);
done:
    free(values);
    free(work);
    return found;
}
