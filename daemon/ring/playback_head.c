// SPDX-License-Identifier: Apache-2.0
/*
 * playback_head.c - which head counts, and which samples it explains.
 *
 * The last head that can be read counts. What was recorded under a head that means something else
 * (another hookup, other boards, other scales) would be read wrongly with it, and is left out.
 */
#include "playback_parts.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static bool same_inputs(const struct board_description *a, const struct board_description *b) {
    if (a->inputs != b->inputs)
        return false;
    for (size_t i = 0; i < a->inputs; i++) {
        bool same_scale = a->volts_per_count[i] == b->volts_per_count[i] ||
                          (isnan(a->volts_per_count[i]) && isnan(b->volts_per_count[i]));
        if (!same_scale || a->zero_counts[i] != b->zero_counts[i])
            return false;
    }
    return true;
}

/* Do samples recorded under `other` mean the same under `head`? */
static bool heads_agree(const struct head *head, const struct head *other) {
    if (head->stream_count != other->stream_count ||
        strcmp(head->hookup->text, other->hookup->text) != 0)
        return false;
    for (size_t i = 0; i < head->stream_count; i++) {
        const struct head_stream *a = &head->streams[i], *b = &other->streams[i];
        if (strcmp(a->name, b->name) != 0 || strcmp(a->driver, b->driver) != 0 ||
            (a->described && b->described && !same_inputs(&a->description, &b->description)))
            return false;
    }
    return true;
}

/* Parses the last head that can be; `agrees[i]`: head i means the same by it. */
static int choose_head(struct gathered *gathered, bool *agrees, char *why, size_t why_size) {
    if (!gathered->heads && why_size)
        snprintf(why, why_size, "no head is left in the file: what its inputs are is not known");
    size_t last = gathered->heads;
    while (last > 0 && !gathered->head) {
        const struct head_text *text = &gathered->head_text[--last];
        int error = head_parse(text->json, text->length, &gathered->head, why, why_size);
        if (error == -ENOMEM)
            return error;
    }
    if (!gathered->head)
        return -EBADMSG;
    for (size_t i = 0; i < gathered->heads; i++) {
        struct head *other = NULL;
        const struct head_text *text = &gathered->head_text[i];
        if (i != last && head_parse(text->json, text->length, &other, NULL, 0) < 0)
            continue;
        agrees[i] = i == last || heads_agree(gathered->head, other);
        head_free(other);
    }
    return 0;
}

/* Leaves only what means something under the head that counts. */
static void filter(struct gathered *gathered, const bool *agrees) {
    size_t kept = 0;
    for (size_t i = 0; i < gathered->pieces; i++) {
        const struct piece *piece = &gathered->piece[i];
        if (piece->head != HEAD_NONE && agrees[piece->head] &&
            piece->stream < gathered->head->stream_count)
            gathered->piece[kept++] = *piece;
    }
    gathered->pieces = kept;
    kept = 0;
    for (size_t i = 0; i < gathered->losts; i++) {
        const struct lost *lost = &gathered->lost[i];
        if (lost->head != HEAD_NONE && agrees[lost->head] &&
            lost->stream < gathered->head->stream_count)
            gathered->lost[kept++] = *lost;
    }
    gathered->losts = kept;
}

int keep_what_head_explains(struct gathered *gathered, char *why, size_t why_size) {
    bool *agrees = calloc(gathered->heads + 1, sizeof *agrees);
    if (!agrees)
        return -ENOMEM;
    int error = choose_head(gathered, agrees, why, why_size);
    if (!error)
        filter(gathered, agrees);
    free(agrees);
    return error;
}
