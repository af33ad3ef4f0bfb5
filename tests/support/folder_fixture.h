#ifndef AFTERFLASH_TESTS_FOLDER_FIXTURE_H
#define AFTERFLASH_TESTS_FOLDER_FIXTURE_H

#include <stdbool.h>
#include <stddef.h>

/* A folder for one test, under $BUILD (else build). The process ends when it cannot be made. */

/** Makes an empty folder and returns its path; the caller frees it with folder_fixture_remove. */
char *folder_fixture_make(void);

/** Removes the folder and what is in it, and frees the path. */
void folder_fixture_remove(char **path);

/** Writes a file of that name and content into the folder. */
void folder_fixture_put(const char *folder, const char *name, const char *content);

/** The content of folder/name as a new string; NULL when it is not there. */
char *folder_fixture_get(const char *folder, const char *name);

/** Number of entries in the folder, hidden ones counted. */
size_t folder_fixture_count(const char *folder);

#endif
