build-clang/obj/src/image/peaks.o: src/image/peaks.c src/image/peaks.h

src/image/peaks.h:
