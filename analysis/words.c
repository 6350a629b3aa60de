// SPDX-License-Identifier: Apache-2.0
/*
 * words.c - pieces of sentences.
 */
#include "words.h"

const char *words_channel(const struct survey *survey, size_t channel) {
    return survey->vehicle->channels[channel].name;
}

const char *words_phase(enum phase phase) {
    switch (phase) {
    case PHASE_CRANKING:
        return "while the starter turned";
    case PHASE_RUNNING:
        return "while the engine ran";
    case PHASE_KEY_ON:
        return "with the key on";
    case PHASE_KEY_OFF:
        return "with the key off";
    default:
        return "while the phase was not known";
    }
}

const char *words_place(enum place place) {
    switch (place) {
    case PLACE_SENSOR:
        return "at the sensor";
    case PLACE_ECU:
        return "at the control unit";
    case PLACE_SPLICE:
        return "at the splice";
    case PLACE_ENGINE:
        return "at the engine";
    case PLACE_BATTERY:
        return "at the battery";
    default:
        return "at its probe";
    }
}
