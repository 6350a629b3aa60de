# SPDX-License-Identifier: Apache-2.0
# Targets `format-check`, `format`, `lint` and `coverage`.
file(GLOB_RECURSE own_sources CONFIGURE_DEPENDS
  ${PROJECT_SOURCE_DIR}/analysis/*.[ch] ${PROJECT_SOURCE_DIR}/drivers/*.[ch]
  ${PROJECT_SOURCE_DIR}/daemon/*.[ch] ${PROJECT_SOURCE_DIR}/udev/*.[ch]
  ${PROJECT_SOURCE_DIR}/tests/*.[ch])
set(checked_sources ${own_sources})
list(FILTER checked_sources INCLUDE REGEX "^${PROJECT_SOURCE_DIR}/(analysis|drivers|daemon|udev)/.*\\.c$")

add_custom_target(format-check
  COMMAND clang-format --dry-run --Werror ${own_sources}
  COMMENT "Is every file as clang-format would write it?" VERBATIM)
add_custom_target(format COMMAND clang-format -i ${own_sources} VERBATIM)

# clang-tidy's checks stand in .clang-tidy; lint.py looks at what has changed since it was clean.
string(JOIN "\n" checked_lines ${checked_sources})
file(GENERATE OUTPUT ${CMAKE_BINARY_DIR}/checked-sources.txt CONTENT "${checked_lines}\n")
add_custom_target(lint
  COMMAND ${PYTHON3} -B ${PROJECT_SOURCE_DIR}/tests/lint.py ${CMAKE_BINARY_DIR}
          ${CMAKE_BINARY_DIR}/checked-sources.txt
  COMMAND cppcheck --quiet --error-exitcode=1 --inline-suppr --std=c11 -j 2
          --enable=warning,portability,performance --suppress=missingIncludeSystem
          # readdir on a stream of our own, and look-ups in a program of one thread, are safe
          --suppress=readdirCalled --suppress=getgrgidCalled --suppress=getpwuidCalled
          # two X-macros are expanded differently within one file, which it takes for an error
          --suppress=preprocessorErrorDirective
          # macros of jansson that it cannot see
          -Djson_array_foreach\(a,i,v\)=for\(i=0\;i<1\;i++\)
          -Djson_object_foreach\(o,k,v\)=for\(\;k\;\)
          --file-list=${CMAKE_BINARY_DIR}/checked-sources.txt
          -I${PROJECT_SOURCE_DIR}/analysis -I${PROJECT_SOURCE_DIR}/drivers
  COMMENT "clang-tidy and cppcheck" VERBATIM)

add_custom_target(coverage
  COMMAND ${CMAKE_CTEST_COMMAND} --output-on-failure -j2
  COMMAND gcovr --root ${PROJECT_SOURCE_DIR} --object-directory ${CMAKE_BINARY_DIR}
          --exclude tests/ --print-summary --html-details ${CMAKE_BINARY_DIR}/coverage.html
  WORKING_DIRECTORY ${CMAKE_BINARY_DIR}
  COMMENT "Configure with -DCRANKTRAP_COVERAGE=ON first; the page is coverage.html" VERBATIM)
