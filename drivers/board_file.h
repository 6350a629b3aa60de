// SPDX-License-Identifier: Apache-2.0
/*
 * board_file.h - what a board file says (docs/board-files.md), as plain data: all that a driver
 * and a transport need to know of a board that has no code of its own.
 *
 * The text is read elsewhere; here is only what comes of it.
 */
#ifndef CRANKTRAP_BOARD_FILE_H
#define CRANKTRAP_BOARD_FILE_H

#include "board.h"
#include "packet_layout.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define BOARD_REQUESTS_MAX     8
#define BOARD_REQUEST_DATA_MAX 64

/* One thing to say to a board: bytes, or a USB control request. */
struct board_request {
    bool control;
    bool text;             /* a command: {rate} and {block} in it stand for those options */
    uint8_t type, request; /* of a control request, as the USB specification names them */
    uint16_t value, index;
    size_t count;
    uint8_t data[BOARD_REQUEST_DATA_MAX]; /* the bytes; or the data stage, towards the board */
};

struct board_requests {
    size_t count;
    struct board_request request[BOARD_REQUESTS_MAX];
};

/* Where on the USB device the bytes come from. */
struct board_usb {
    uint8_t interface, alternate;
    uint8_t endpoint;     /* IN; 0: the board has none of its own (a serial board) */
    bool iso;             /* isochronous; else bulk */
    uint8_t endpoint_out; /* bulk, where `bytes` requests go; 0: none */
};

enum board_reset { BOARD_RESET_NEVER, BOARD_RESET_LAST_RESORT };

struct board_file {
    const char *name; /* of the file, without .board */
    const char *summary;
    const struct board_driver *driver;
    enum board_maturity maturity;
    const struct board_id *ids; /* a row of zeros ends it; NULL: taken only when named in a hookup
                                   with its device */
    struct board_usb usb;
    struct board_requests start, stop;
    struct board_requests ask; /* for one block; a burst board's */
    enum board_reset reset;
    double silence_limit_s; /* NAN: the driver's */
    double boot_delay_s;    /* NAN: the driver's */

    struct packet_layout packet; /* size 0: the driver has its own */

    /* The inputs; those that the file says nothing of keep what the driver says. */
    double skew_s;                         /* from one input to the next; NAN: not said */
    double volts_low[BOARD_INPUTS_MAX];    /* at the lowest and the highest count that the packet */
    double volts_high[BOARD_INPUTS_MAX];   /*   or the converter's bits can have; NAN: not said */
    double input_skew_s[BOARD_INPUTS_MAX]; /* later than the rule of skew_s; NAN: not said */
    double delay_s[BOARD_INPUTS_MAX];      /* the value is that much old; NAN: not said */
};

/* Nothing said: NANs and zeros. */
void board_file_init(struct board_file *file);

/* Puts ranges, skews and delays of the file over what a driver says. `file` NULL: nothing. */
void board_file_describe(const struct board_file *file, struct board_description *description);

/* Of the file where there is one and it says so, else of the driver. */
double board_silence_limit_s(const struct board_driver *driver,
                             const struct board_settings *settings);
double board_boot_delay_s(const struct board_driver *driver, const struct board_settings *settings);

/*
 * The `bytes` requests as they go over a serial line, one after the other; those that do not fit
 * are left out, which a board file that was read without a problem does not let happen.
 */
void board_file_bytes(const struct board_requests *requests, struct board_bytes *bytes);

/* Bytes a second at so many scans a second; 0 where the file has no packet. */
double board_file_bytes_per_s(const struct board_file *file, double rate_hz);

#endif
