/* cppcheck.h - what cppcheck has to know of libraries whose headers it does not read. */
#define json_array_foreach(array, index, value)                                                              \
    for ((index) = 0; (index) < json_array_size(array) && ((value) = json_array_get(array, index)); (index)++)
#define json_object_foreach(object, key, value)                                                              \
    for ((key) = json_object_key(object); (key) && ((value) = json_object_get(object, key));                 \
         (key) = json_object_key(object))
/* avr-libc's, in firmware/avr. */
#define EMPTY_INTERRUPT(vector)
