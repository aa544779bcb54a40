/* Frames of laneproof, version 1, for firmware: byte stuffing, CRC, header. What messages mean is not here; the page
 * `laneproof guide frames` has it. C99; needs nothing but memory that the caller brings. */

#ifndef FRAME_CODEC_H
#define FRAME_CODEC_H

#include <stdint.h>
#include <string.h>

#define FRAME_VERSION 1u
#define FRAME_HEADER 8u /* version, type, channel, 0, sequence */
#define FRAME_CRC 4u

/* The most bytes that a frame of so much payload takes on the line, its zero included. */
#define FRAME_ON_LINE(payload) \
    ((payload) + FRAME_HEADER + FRAME_CRC + ((payload) + FRAME_HEADER + FRAME_CRC + 253u) / 254u + 1u)

struct frame {
    uint8_t type;
    uint8_t channel;
    uint32_t sequence;
    const uint8_t *payload; /* within the decoder's memory, until the next byte is given to it */
    size_t length;
};

enum frame_result {
    FRAME_MORE = 0,  /* no frame has ended */
    FRAME_WHOLE,     /* one has, and is in *frame */
    FRAME_TRUNCATED, /* too short, or stuffing that does not end where it says */
    FRAME_OVERSIZED, /* longer than the memory; said at once, the rest of it is dropped */
    FRAME_DAMAGED,   /* wrong CRC */
    FRAME_OTHER_VERSION
};

struct frame_decoder {
    uint8_t *memory; /* of header, payload and CRC, not stuffed */
    size_t room;
    size_t used;
    uint8_t code; /* the last code byte; 0 before the first */
    uint8_t left; /* bytes until the next */
    uint8_t dropping;
};

/* CRC-32 of `length` more bytes; begin with 0. */
uint32_t frame_crc(uint32_t crc, const uint8_t *data, size_t length);

/* Write a frame, ready for the line, to `out`; the bytes written, or 0 where `room` is too small. */
size_t frame_encode(uint8_t *out, size_t room, const struct frame *frame);

/* `memory` bounds what is taken: header, CRC and the largest payload. */
void frame_decoder_begin(struct frame_decoder *decoder, uint8_t *memory, size_t room);

/* Take one byte from the line. Whatever the byte, this is safe. */
enum frame_result frame_decode(struct frame_decoder *decoder, uint8_t byte, struct frame *frame);

/* Little-endian numbers, as all messages have them. */
uint32_t frame_get32(const uint8_t *from);
void frame_put32(uint8_t *to, uint32_t value);

#endif
