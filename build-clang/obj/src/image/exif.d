build-clang/obj/src/image/exif.o: src/image/exif.c src/image/exif.h \
  src/image/decode.h src/base/err.h src/base/units.h

src/image/exif.h:

src/image/decode.h:

src/base/err.h:

src/base/units.h:
