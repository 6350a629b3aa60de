// SPDX-License-Identifier: Apache-2.0
/*
 * sim_wheel.c - the simulated wheels. A tooth takes the first half of its place.
 */
#include "sim_wheel.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>

#define CAM_TOOTH_FROM (70.0 * M_PI / 180.0) /* crank angle, clear of the crank wheel's gap */
#define CAM_TOOTH_TO   (190.0 * M_PI / 180.0)

int sim_wheel_parse(const char *text, struct sim_wheel *wheel) {
    struct sim_wheel read = {0};
    int end[3] = {-1, -1, -1};
    int fields = sscanf(text, "%3u%n-%3u%n-%3u%n", &read.places, &end[0], &read.missing, &end[1],
                        &read.missing_again, &end[2]);
    if (fields < 1 || text[0] < '0' || text[0] > '9' || text[end[fields - 1]] != '\0')
        return -EINVAL;
    if (read.places < 1 || read.places > 360 || read.missing + read.missing_again >= read.places)
        return -EINVAL;
    if (read.missing > read.places / 4 || read.missing_again > read.places / 4)
        return -EINVAL;
    *wheel = read;
    return 0;
}

bool sim_wheel_tooth(const struct sim_wheel *wheel, double angle) {
    double place = angle / (2.0 * M_PI) * wheel->places;
    double whole = floor(place);
    if (place - whole >= 0.5)
        return false;
    unsigned index = (unsigned)whole % wheel->places;
    if (index >= wheel->places - wheel->missing)
        return false;
    unsigned again = wheel->places / 2;
    return index < again - wheel->missing_again || index >= again;
}

bool sim_wheel_cam_tooth(double angle) {
    double within = fmod(angle, 4.0 * M_PI);
    return within >= CAM_TOOTH_FROM && within < CAM_TOOTH_TO;
}
