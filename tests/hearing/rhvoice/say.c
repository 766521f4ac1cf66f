/* Says lines of standard input with RHVoice's library for Windows, which is what a package registry has of it.

   usage: say.exe RHVoice.dll DATA_FOLDER SETTINGS_FOLDER
   A line is VOICE, PACE, PITCH, FILE and TEXT with tabs between, all UTF-8; pace and pitch are factors. FILE becomes a WAV
   file of 16 bit, one channel. What is declared here follows RHVoice.h of version 1.14. */
#include <windows.h>
#include <fcntl.h>
#include <io.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

typedef struct {
    int (*set_sample_rate)(int, void *);
    int (*play_speech)(const short *, unsigned, void *);
    void *not_asked_for[6];
    void (*done)(void *);
} Callbacks;
typedef struct {
    const char *data, *settings, **resources;
    Callbacks callbacks;
    unsigned options;
} Start;
typedef struct {
    const char *voice;
    double absolute_pace, absolute_pitch, absolute_volume, pace, pitch, volume;
    int punctuation;
    const char *punctuation_list;
    int capitals, flags;
} Manner;

static short *samples;
static size_t count, room;
static int rate;

static void fail(const char *why, const char *what) {
    fprintf(stderr, "error: %s: %s\n", why, what);
    exit(1);
}

static int take_rate(int given, void *mine) {
    (void)mine;
    rate = given;
    return 1;
}

static int take(const short *more, unsigned length, void *mine) {
    (void)mine;
    if (count + length > room) {
        room = 2 * (count + length);
        if (!(samples = realloc(samples, room * sizeof *samples))) fail("no memory for", "samples");
    }
    memcpy(samples + count, more, length * sizeof *samples);
    count += length;
    return 1;
}

static void write_wave(const char *path) {
    struct {
        char riff[4];
        uint32_t length;
        char wave[8];
        uint32_t of_format;
        uint16_t pcm, channels;
        uint32_t rate, bytes_a_second;
        uint16_t bytes_a_frame, bits;
        char data[4];
        uint32_t of_data;
    } head = {"RIFF", 36 + 2 * count, "WAVEfmt ", 16, 1, 1, rate, 2 * rate, 2, 16, "data", 2 * count};
    char place[4096];
    snprintf(place, sizeof place, "Z:%s", path);
    FILE *file = fopen(place, "wb");
    if (!file || fwrite(&head, sizeof head, 1, file) != 1 || fwrite(samples, 2, count, file) != count || fclose(file))
        fail("cannot write", path);
}

static void *function(HMODULE library, const char *name) {
    void *found = (void *)GetProcAddress(library, name);
    if (!found) fail("RHVoice.dll lacks", name);
    return found;
}

int main(int given, char **told) {
    if (given != 4) fail("usage", "say.exe RHVoice.dll DATA_FOLDER SETTINGS_FOLDER");
    HMODULE library = LoadLibraryA(told[1]);
    if (!library) fail("cannot load", told[1]);
    void *(*new_engine)(const Start *) = function(library, "RHVoice_new_tts_engine");
    void *(*new_message)(void *, const char *, unsigned, int, const Manner *, void *) = function(library, "RHVoice_new_message");
    int (*speak)(void *) = function(library, "RHVoice_speak");
    void (*delete_message)(void *) = function(library, "RHVoice_delete_message");

    const char *none[] = {NULL};
    Start start = {.data = told[2], .settings = told[3], .resources = none};
    start.callbacks.set_sample_rate = take_rate;
    start.callbacks.play_speech = take;
    void *engine = new_engine(&start);
    if (!engine) fail("RHVoice does not start with", told[2]);

    static char line[1 << 16];
    _setmode(0, _O_BINARY);
    while (fgets(line, sizeof line, stdin)) {
        char *parts[5] = {line}, *at = line;
        line[strcspn(line, "\n")] = 0;
        for (int k = 1; k < 5; k++) {
            if (!(at = strchr(at, '\t'))) fail("five parts are wanted", line);
            *at++ = 0;
            parts[k] = at;
        }
        Manner manner = {.voice = parts[0], .pace = atof(parts[1]), .pitch = atof(parts[2]), .volume = 1};
        void *message = new_message(engine, parts[4], strlen(parts[4]), 0, &manner, NULL);
        count = 0;
        if (!message || !speak(message) || !count) fail("not said", parts[4]);
        delete_message(message);
        write_wave(parts[3]);
    }
    return 0;
}
