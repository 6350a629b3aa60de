// SPDX-License-Identifier: Apache-2.0
/*
 * board_list.h - the part of `cranktrap boards` about board files and USB devices.
 *
 * Everything is gathered as JSON first; the text is printed from it, so that both say the same.
 */
#ifndef CRANKTRAP_BOARD_LIST_H
#define CRANKTRAP_BOARD_LIST_H

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>

struct board_list; /* all board files, read */

/* Reads all board files there are. 0 or a negative errno. */
int board_list_new(struct board_list **list);
void board_list_free(struct board_list *list); /* takes NULL */

/* [{"board_file","path","driver","summary","maturity","problems":[text]}] */
json_t *board_list_files(const struct board_list *list);

/*
 * Who takes a device with these ids: [{"board_file","takes","why"}], `why` a plain sentence. Of
 * files for `usb` devices, or for serial ones.
 */
json_t *board_list_takers(const struct board_list *list, bool usb, uint16_t vendor,
                          uint16_t product, const char *serial);

/* The USB devices there are: [{"node","port","usb_id","serial","name","usable","why","takers"}], or
 * NULL where they cannot be listed. */
json_t *board_list_usb(const struct board_list *list);

/* As text: what board_list_files(), _takers() and _usb() gave. Takers that do not take a device are
 * printed only where `explain`. */
void board_list_print_files(const json_t *files, bool explain);
void board_list_print_takers(const json_t *takers, bool explain);
void board_list_print_usb(const json_t *devices, bool explain);

#endif
