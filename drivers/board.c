// SPDX-License-Identifier: Apache-2.0
/*
 * board.c - what all drivers share: names for what they report, and reading their settings.
 */
#include "board.h"

#include <stdlib.h>
#include <string.h>

const char *board_result_name(enum board_result result) {
    switch (result) {
    case BOARD_OK:
        return "ok";
    case BOARD_NEED_MORE:
        return "need more";
    case BOARD_RESYNC:
        return "resync";
    case BOARD_BAD_CHECK:
        return "bad check";
    case BOARD_BAD_LENGTH:
        return "bad length";
    case BOARD_INSANE_VALUE:
        return "insane value";
    case BOARD_RESULTS:
        break;
    }
    return "unknown result";
}

enum board_result board_result_worse(enum board_result one, enum board_result other) {
    /* It stands behind "ok" in the enumeration, but says less. */
    if (one == BOARD_NEED_MORE)
        return other;
    if (other == BOARD_NEED_MORE)
        return one;
    return one > other ? one : other;
}

const char *board_loss_name(enum board_loss reason) {
    switch (reason) {
    case BOARD_LOSS_PACKET:
        return "packet lost";
    case BOARD_LOSS_DAMAGED:
        return "damaged";
    case BOARD_LOSS_OVERRUN:
        return "overrun";
    case BOARD_LOSS_RESTARTED:
        return "board restarted";
    case BOARD_LOSS_LATE:
        return "fetched late";
    case BOARD_LOSS_NO_ANSWER:
        return "no answer";
    case BOARD_LOSS_REFUSED:
        return "refused";
    case BOARD_LOSS_DEAD_TIME:
        return "dead time";
    case BOARD_LOSSES:
        break;
    }
    return "unknown reason";
}

static const struct board_option *option_named(const struct board_driver *driver,
                                               const char *name) {
    if (!driver->options)
        return NULL;
    for (const struct board_option *option = driver->options; option->name; option++)
        if (strcmp(option->name, name) == 0)
            return option;
    return NULL;
}

const char *board_setting_text(const struct board_driver *driver,
                               const struct board_settings *settings, const char *name) {
    if (settings)
        for (size_t i = 0; i < settings->count; i++)
            if (strcmp(settings->setting[i].name, name) == 0)
                return settings->setting[i].value;
    const struct board_option *option = option_named(driver, name);
    return option ? option->standard : NULL;
}

double board_setting_number(const struct board_driver *driver,
                            const struct board_settings *settings, const char *name,
                            double missing) {
    const char *text = board_setting_text(driver, settings, name);
    return text ? strtod(text, NULL) : missing;
}
