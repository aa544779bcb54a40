#include "frame_codec.h"

uint32_t frame_get32(const uint8_t *from)
{
    return (uint32_t)from[0] | (uint32_t)from[1] << 8 | (uint32_t)from[2] << 16 | (uint32_t)from[3] << 24;
}

void frame_put32(uint8_t *to, uint32_t value)
{
    to[0] = (uint8_t)value;
    to[1] = (uint8_t)(value >> 8);
    to[2] = (uint8_t)(value >> 16);
    to[3] = (uint8_t)(value >> 24);
}

/* Bit by bit: no table to keep, and a serial line is slower. A controller with a CRC unit would use that. */
uint32_t frame_crc(uint32_t crc, const uint8_t *data, size_t length)
{
    crc = ~crc;
    while (length--) {
        crc ^= *data++;
        for (int bit = 0; bit < 8; bit++)
            crc = crc >> 1 ^ (0xEDB88320u & (0u - (crc & 1u)));
    }
    return ~crc;
}

struct stuffing {
    uint8_t *out;
    size_t used;
    size_t code; /* where the code byte of this stretch will stand */
};

static void stuff(struct stuffing *to, const uint8_t *data, size_t length)
{
    while (length--) {
        uint8_t byte = *data++;

        /* A full stretch ends here, and not when its last byte came: at the very end it has no code after it. */
        if (to->used - to->code == 255u) {
            to->out[to->code] = 255u;
            to->code = to->used++;
        }
        if (byte) {
            to->out[to->used++] = byte;
        } else {
            to->out[to->code] = (uint8_t)(to->used - to->code);
            to->code = to->used++;
        }
    }
}

size_t frame_encode(uint8_t *out, size_t room, const struct frame *frame)
{
    uint8_t header[FRAME_HEADER] = {FRAME_VERSION, frame->type, frame->channel, 0};
    uint8_t crc[FRAME_CRC];
    struct stuffing to = {out, 1, 0};

    if (frame->length > 65535u || room < FRAME_ON_LINE(frame->length))
        return 0;
    frame_put32(header + 4, frame->sequence);
    frame_put32(crc, frame_crc(frame_crc(0, header, sizeof header), frame->payload, frame->length));
    stuff(&to, header, sizeof header);
    stuff(&to, frame->payload, frame->length);
    stuff(&to, crc, sizeof crc);
    out[to.code] = (uint8_t)(to.used - to.code);
    out[to.used++] = 0;
    return to.used;
}

static void begin(struct frame_decoder *decoder)
{
    decoder->used = 0;
    decoder->code = 0;
    decoder->left = 0;
    decoder->dropping = 0;
}

void frame_decoder_begin(struct frame_decoder *decoder, uint8_t *memory, size_t room)
{
    decoder->memory = memory;
    decoder->room = room;
    begin(decoder);
}

static enum frame_result ended(const struct frame_decoder *decoder, struct frame *frame)
{
    const uint8_t *body = decoder->memory;
    size_t length = decoder->used;

    if (decoder->left || length < FRAME_HEADER + FRAME_CRC)
        return FRAME_TRUNCATED;
    length -= FRAME_CRC;
    if (frame_get32(body + length) != frame_crc(0, body, length))
        return FRAME_DAMAGED;
    if (body[0] != FRAME_VERSION)
        return FRAME_OTHER_VERSION;
    frame->type = body[1];
    frame->channel = body[2];
    frame->sequence = frame_get32(body + 4);
    frame->payload = body + FRAME_HEADER;
    frame->length = length - FRAME_HEADER;
    return FRAME_WHOLE;
}

enum frame_result frame_decode(struct frame_decoder *decoder, uint8_t byte, struct frame *frame)
{
    enum frame_result result = FRAME_MORE;

    if (byte == 0) {
        if (decoder->code && !decoder->dropping)
            result = ended(decoder, frame);
        begin(decoder);
        return result;
    }
    if (decoder->dropping)
        return FRAME_MORE;
    if (decoder->left) {
        decoder->left--;
    } else {
        uint8_t before = decoder->code;

        decoder->code = byte;
        decoder->left = (uint8_t)(byte - 1u);
        if (before == 0 || before == 255u)
            return FRAME_MORE; /* a stretch that no zero stands before */
        byte = 0;
    }
    if (decoder->used == decoder->room) {
        decoder->dropping = 1;
        return FRAME_OVERSIZED;
    }
    decoder->memory[decoder->used++] = byte;
    return FRAME_MORE;
}
