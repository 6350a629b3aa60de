/* SPDX-License-Identifier: Apache-2.0 */
/*
 * bare_board.c - the least that makes a program of the example board: hooks on one made-up register
 * each. It is built and measured, not run.
 */
#include "example_board.h"

volatile uint16_t bare_timer, bare_converter;
volatile uint8_t bare_sender, bare_receiver;
int main(void);

void example_hook_timer(int run) {
    bare_timer = (uint16_t)run;
}

void example_hook_convert(int32_t counts[EXAMPLE_INPUTS]) {
    for (int i = 0; i < EXAMPLE_INPUTS; i++)
        counts[i] = bare_converter;
}

size_t example_hook_send(const uint8_t *bytes, size_t count) {
    bare_sender = bytes[0];
    return count > 0;
}

int example_hook_receive(void) {
    return bare_receiver;
}

int main(void) {
    const struct wire_board board = {.boot_id = 1,
                                     .rate_millihz = 2000000,
                                     .inputs = EXAMPLE_INPUTS,
                                     .bits = 12,
                                     .skew_ns = 10000,
                                     .span_microvolts = 3300000,
                                     .name = "bare"};
    if (example_board_begin(&board) != 0)
        return 1;
    for (;;) {
        if (bare_timer)
            example_board_tick(); /* an interrupt's work */
        example_board_step();
    }
}
