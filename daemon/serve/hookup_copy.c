// SPDX-License-Identifier: Apache-2.0
/*
 * hookup_copy.c - the copy's text, and when it counts.
 */
#include "hookup_copy.h"

#include "fingerprint.h"
#include "text_file.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define TEXT_MAX (1u << 20)

char *hookup_copy_read(const struct serve_parts *parts) {
    char *path = NULL, *text = NULL;
    size_t length = 0;
    if (asprintf(&path, "%s/" HOOKUP_COPY_NAME, parts->state_folder) < 0)
        return NULL;
    int result = text_file_read(path, TEXT_MAX, &text, &length);
    free(path);
    return result == 0 ? text : strdup(parts->hookup->text);
}

void hookup_copy_etag(const char *text, char etag[24]) {
    fingerprint_text(fingerprint_add(FINGERPRINT_BEGIN, text, strlen(text)), etag);
}

bool hookup_copy_takes_effect(const struct serve_parts *parts, const struct hookup *fresh,
                              char *why, size_t size) {
    const char *board = hookup_board_changed(parts->hookup, fresh);
    if (!parts->reload)
        snprintf(why, size, "this daemon reads its hookup when it starts");
    else if (board)
        snprintf(why, size, "board %s is another: what a board is changes only with a restart",
                 board);
    else
        why[0] = '\0';
    return parts->reload && !board;
}
