/* Runs the codec as a filter, so that a test can hold it to another one.
 *   decode ROOM: bytes from a line on stdin; for each end of a frame one byte of result, and for a whole one its type,
 *                channel, sequence, length (4 each, little-endian) and payload
 *   encode:      the same records of whole frames on stdin, without the result; frames for the line on stdout */

#include "frame_codec.h"

#include <stdio.h>
#include <stdlib.h>

static int decode(size_t room)
{
    uint8_t *memory = malloc(room ? room : 1); /* of exactly that size, so that a sanitizer sees what is outside */
    struct frame_decoder decoder;
    struct frame frame;
    int byte;

    frame_decoder_begin(&decoder, memory, room);
    while ((byte = getchar()) != EOF) {
        enum frame_result result = frame_decode(&decoder, (uint8_t)byte, &frame);
        uint8_t record[10];

        if (result == FRAME_MORE)
            continue;
        putchar((int)result);
        if (result == FRAME_WHOLE) {
            record[0] = frame.type;
            record[1] = frame.channel;
            frame_put32(record + 2, frame.sequence);
            frame_put32(record + 6, (uint32_t)frame.length);
            fwrite(record, 1, sizeof record, stdout);
            fwrite(frame.payload, 1, frame.length, stdout);
        }
    }
    free(memory);
    return 0;
}

static int encode(void)
{
    uint8_t record[10];

    while (fread(record, 1, sizeof record, stdin) == sizeof record) {
        size_t length = frame_get32(record + 6), room = FRAME_ON_LINE(length), used;
        uint8_t *payload = malloc(length ? length : 1), *line = malloc(room);
        struct frame frame = {record[0], record[1], frame_get32(record + 2), payload, length};

        if (fread(payload, 1, length, stdin) != length || frame_encode(line, room - 1, &frame) != 0)
            return 1;
        used = frame_encode(line, room, &frame);
        fwrite(line, 1, used, stdout);
        free(payload);
        free(line);
    }
    return 0;
}

int main(int count, char **arguments)
{
    return count == 3 ? decode((size_t)atol(arguments[2])) : encode();
}
