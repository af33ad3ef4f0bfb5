#ifndef AFTERFLASH_TESTS_FOLDER_FIXTURE_H
#define AFTERFLASH_TESTS_FOLDER_FIXTURE_H

#include <stdbool.h>
#include <stddef.h>

/* A folder for one test, under $BUILD (else build). The process ends when it cannot be made. */

/** Makes an empty folder and returns its path; the caller frees it with folder_fixture_remove. */
char *folder_fixture_make(void);

/** Removes the folder and what is in it, and frees the path. */
void folder_fixture_remove(char **path);

/** The folder of the test that runs, between folder_fixture_set_up and folder_fixture_tear_down. */
extern char *folder_fixture;

/** Set-up of a cmocka test that wants a folder of its own: folder_fixture is then an empty one. */
int folder_fixture_set_up(void **state);

/** Its tear-down: removes the folder and what is in it. */
int folder_fixture_tear_down(void **state);

/** The path of a name within folder_fixture; the caller frees with free(). */
char *folder_fixture_path(const char *name);

/** Writes a file of that name and content into the folder. */
void folder_fixture_put(const char *folder, const char *name, const char *content);

/** The content of folder/name as a new string; NULL when it is not there. */
char *folder_fixture_get(const char *folder, const char *name);

/** Number of entries in the folder, hidden ones counted. */
size_t folder_fixture_count(const char *folder);

#endif
